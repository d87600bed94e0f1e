with
how as (
    select
        written_place_id,
        count(distinct player_id) filter (where outcome in ('slid', 'not_slid')) as players,
        median(duration_ms) as duration_median_ms,
    from fact.written_place_take
    group by written_place_id
),
kind as (
    select
        written_place_id,
        kind,
    from fact.written_place_take
    where kind is not null
    group by written_place_id, kind
    qualify row_number() over (partition by written_place_id order by count(*) desc, kind) = 1
),
fingers as (
    select
        written_place_id,
        from_finger || ' to ' || to_finger as fingers,
    from fact.written_place_take
    where outcome in ('slid', 'not_slid') and from_finger is not null and to_finger is not null
    group by written_place_id, fingers
    qualify row_number() over (partition by written_place_id order by count(*) desc, fingers) = 1
),
printed as (
    select
        written_place_id,
        count(*) as editions,
        count(*) filter (where slide_marked) as editions_marked,
    from fact.written_place_printed
    group by written_place_id
)
select
    counted.written_place_id,
    written_place.work_id,
    written_place.bar_index,
    written_place.bar,
    written_place.beat,
    written_place.from_name,
    written_place.to_name,
    written_place.to_bar,
    written_place.to_beat,
    written_place.interval_semitones,
    written_place.is_slurred,
    how.players,
    kind.kind,
    how.duration_median_ms,
    fingers.fingers,
    printed.editions,
    printed.editions_marked,
    counted.* exclude (grouping, group_key, written_place_id),
from tally.slides_at_place as counted
join fact.written_place
    on written_place.written_place_id = counted.written_place_id
join printed
    on printed.written_place_id = counted.written_place_id
join how
    on how.written_place_id = counted.written_place_id
left join kind
    on kind.written_place_id = counted.written_place_id
left join fingers
    on fingers.written_place_id = counted.written_place_id
where counted.grouping = 'corpus'
