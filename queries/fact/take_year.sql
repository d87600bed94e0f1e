with
dated as (
    select
        take.take_id,
        if(take.recorded is null, session.recorded_earliest, take.recorded_earliest) as earliest,
        if(take.recorded is null, session.recorded_latest, take.recorded_latest) as latest,
    from base.take
    left join base.session
        on session.session_id = take.session_id
),
spread as (
    select
        take_id,
        earliest,
        latest,
        unnest(generate_series(year(earliest), year(latest))) as year,
    from dated
    where earliest is not null and latest is not null
)
select
    take_id,
    year,
    (least(latest, make_date(year, 12, 31)) - greatest(earliest, make_date(year, 1, 1)) + 1)
    / (latest - earliest + 1) as share,
from spread
union all
select
    take_id,
    null as year,
    1 as share,
from dated
where earliest is null or latest is null
