with
tally as (
    select
        player_id,
        sum(weight * timed_slides) / nullif(sum(weight * timed_minutes), 0) as slides_per_minute,
    from fact.take_tally
    where player_id is not null and state = 'judged'
    group by player_id
)
select
    tally.player_id,
    tally.slides_per_minute,
    estimate.slides_per_minute as estimated_slides_per_minute,
from tally
left join result.estimate
    on estimate.grouping = 'player' and estimate.group_key = tally.player_id
where
    tally.slides_per_minute is not null
    and coalesce(abs(tally.slides_per_minute - estimate.slides_per_minute) > 1e-9, true)
