with
scheme as (
    select distinct scheme
    from base.school
),
assigned as (
    select
        school_membership.player_id,
        school.scheme,
        school.school_id,
        school_membership.certainty,
        school_membership.share,
        -- as total() sums, which cannot be a window
        coalesce(sum(school_membership.share::decimal(38, 15)) over per_player, 0)::double as stated,
        count(*) filter (where school_membership.share is null) over per_player as unstated,
    from base.school_membership
    join base.school
        on school.school_id = school_membership.school_id
    window per_player as (partition by school_membership.player_id, school.scheme)
),
placed as (
    select
        player_id,
        scheme,
        school_id,
        certainty,
        coalesce(share, greatest(1 - stated, 0) / unstated)
        / greatest(if(unstated > 0, greatest(stated, 1), stated), 1) as share,
    from assigned
),
total as (
    select
        player_id,
        scheme,
        total(share) as share,
    from placed
    group by player_id, scheme
)
select
    player_id,
    scheme,
    school_id,
    share,
    certainty,
from placed
where share > 0
union all
select
    player.player_id,
    scheme.scheme,
    'unplaced' as school_id,
    1 - coalesce(total.share, 0) as share,
    null as certainty,
from base.player
cross join scheme
left join total
    on total.player_id = player.player_id and total.scheme = scheme.scheme
where 1 - coalesce(total.share, 0) > 1e-9
union all
select
    null as player_id,
    scheme.scheme,
    'unplaced' as school_id,
    1 as share,
    null as certainty,
from scheme
