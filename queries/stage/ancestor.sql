with recursive
-- Numbers, since millions of pairs of them are compared.
person as (
    select
        player_id,
        (row_number() over (order by player_id))::integer as number,
    from (
        select teacher_id as player_id from base.teaching
        union
        select student_id as player_id from base.teaching
    ) as named
),
link as (
    select
        teacher.number as teacher,
        student.number as student,
        max(certainty.rank) as strength,
    from base.teaching
    join stage.certainty
        on certainty.certainty = teaching.certainty
    join person as teacher
        on teacher.player_id = teaching.teacher_id
    join person as student
        on student.player_id = teaching.student_id
    where teaching.teacher_id <> teaching.student_id
    group by teacher.number, student.number
),
chain as (
    select
        teacher as number,
        0 as level,
    from link
    union
    select
        link.student as number,
        chain.level + 1 as level,
    from chain
    join link
        on link.teacher = chain.number
    -- A circle, which check refuses, would never end.
    where chain.level < 60
),
-- Everyone stands one level above the highest of their teachers, so that each level is made of the lower ones
-- once, however many paths lead there.
placed as (
    select
        link.teacher,
        link.student,
        link.strength,
        standing.level,
    from link
    join (select number, max(level) as level from chain group by number) as standing
        on standing.number = link.student
),
pair (student, ancestor, generations, longest_path, paths, best, worst, level) using key (student, ancestor) as (
    select
        student,
        teacher as ancestor,
        1::bigint as generations,
        1::bigint as longest_path,
        1::double as paths,
        strength as best,
        strength as worst,
        level,
    from placed
    where level = (select min(level) from placed)
    union
    select
        way.student,
        way.ancestor,
        min(way.generations) as generations,
        max(way.longest_path) as longest_path,
        sum(way.paths) as paths,
        max(way.best) as best,
        min(way.worst) as worst,
        max(way.level) as level,
    from (
        select
            placed.student,
            placed.teacher as ancestor,
            1::bigint as generations,
            1::bigint as longest_path,
            1::double as paths,
            placed.strength as best,
            placed.strength as worst,
            placed.level,
        from placed
        join (select max(level) + 1 as level from pair) as following
            on following.level = placed.level
        union all
        select
            placed.student,
            above.ancestor,
            above.generations + 1 as generations,
            above.longest_path + 1 as longest_path,
            above.paths,
            least(above.best, placed.strength) as best,
            least(above.worst, placed.strength) as worst,
            placed.level,
        from placed
        join (select max(level) + 1 as level from pair) as following
            on following.level = placed.level
        join recurring.pair as above
            on above.student = placed.teacher
    ) as way
    group by way.student, way.ancestor
)
select
    player.player_id,
    ancestor.player_id as ancestor_id,
    pair.generations,
    pair.longest_path,
    pair.paths,
    best.certainty,
    worst.certainty as weakest_certainty,
from pair
join person as player
    on player.number = pair.student
join person as ancestor
    on ancestor.number = pair.ancestor
join stage.certainty as best
    on best.rank = pair.best
join stage.certainty as worst
    on worst.rank = pair.worst
