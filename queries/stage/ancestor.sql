with recursive
link as (
    select
        teacher_id,
        student_id,
        max(list_position(['possible', 'probable', 'certain'], certainty)) as strength,
    from base.teaching
    where teacher_id <> student_id
    group by teacher_id, student_id
),
path as (
    select
        student_id as player_id,
        teacher_id as ancestor_id,
        1::bigint as generations,
        strength,
        1::double as paths,
    from link
    union all
    select
        path.player_id,
        link.teacher_id as ancestor_id,
        path.generations + 1 as generations,
        least(path.strength, link.strength) as strength,
        sum(path.paths) as paths,
    from path
    join link
        on link.student_id = path.ancestor_id
    where path.generations < 30
    group by path.player_id, link.teacher_id, path.generations + 1, least(path.strength, link.strength)
)
select
    player_id,
    ancestor_id,
    generations,
    ['possible', 'probable', 'certain'][strength] as weakest_certainty,
    paths,
from path
