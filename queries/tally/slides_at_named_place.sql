select
    counted.grouping,
    counted.group_key,
    counted.written_place_id,
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
