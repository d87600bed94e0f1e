with
spread as (
    select
        take_id,
        recorded_earliest,
        recorded_latest,
        unnest(generate_series(year(recorded_earliest), year(recorded_latest))) as year,
    from stage.take_dated
    where recorded_earliest is not null and recorded_latest is not null
)
select
    take_id,
    year,
    (least(recorded_latest, make_date(year, 12, 31)) - greatest(recorded_earliest, make_date(year, 1, 1)) + 1)
    / (recorded_latest - recorded_earliest + 1) as share,
from spread
union all
select
    take_id,
    null as year,
    1 as share,
from stage.take_dated
where recorded_earliest is null or recorded_latest is null
