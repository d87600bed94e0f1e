with
counted as (
    select
        slide.take_id,
        slide.player_id,
        take.player_key as cluster,
        take.weight,
        slide.kind,
        slide.direction,
        slide.semitones,
        slide.is_slurred,
        slide.speed_state is distinct from 'unmeasurable' as is_timed,
        slide.duration_ms,
        abs(slide.interval_cents) as size_cents,
        abs(slide.gradient_cents_per_s) as slope_cents_per_s,
    from fact.slide
    join fact.take_tally as take
        on take.take_id = slide.take_id and take.player_id is not distinct from slide.player_id
)
select
    member.grouping,
    member.group_key,
    counted.* exclude (weight),
    member.weight,
from counted
join tally.take_in_group as member
    on member.take_id = counted.take_id and member.player_id is not distinct from counted.player_id
union all by name
select
    'kind' as grouping,
    kind as group_key,
    counted.*,
from counted
union all by name
select
    'kind_and_direction' as grouping,
    kind || '/' || coalesce(direction, 'unknown') as group_key,
    counted.*,
from counted
union all by name
select
    'interval' as grouping,
    direction || '/' || semitones as group_key,
    counted.*,
from counted
where direction is not null
