with
spread as (
    select
        player_id,
        born_earliest,
        born_latest,
        unnest(generate_series(year(born_earliest) // 10, year(born_latest) // 10)) as decade,
    from base.player
    where born_earliest is not null and born_latest is not null
)
select
    player_id,
    (10 * decade)::varchar || 's' as cohort,
    (
        least(born_latest, make_date(10 * decade + 9, 12, 31))
        - greatest(born_earliest, make_date(10 * decade, 1, 1))
        + 1
    ) / (born_latest - born_earliest + 1) as share,
from spread
union all
select
    player_id,
    'unknown' as cohort,
    1 as share,
from base.player
where born_earliest is null or born_latest is null
union all
select
    null as player_id,
    'unknown' as cohort,
    1 as share,
