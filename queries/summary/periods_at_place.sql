select
    counted.written_place_id,
    split_part(counted.group_key, '/', 1) as scheme,
    split_part(counted.group_key, '/', 2) as period_id,
    coalesce(period.name, split_part(counted.group_key, '/', 2)) as period,
    written_place.work_id,
    written_place.bar_index,
    written_place.bar,
    written_place.beat,
    written_place.from_name,
    written_place.to_name,
    counted.* exclude (grouping, group_key, written_place_id),
from tally.slides_at_place as counted
join fact.written_place
    on written_place.written_place_id = counted.written_place_id
left join base.period
    on period.scheme || '/' || period.period_id = counted.group_key
where counted.grouping = 'period'
