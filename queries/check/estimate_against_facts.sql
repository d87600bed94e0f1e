with
tally as (
    select
        player_id,
        total(weight * timed_found_slides) / nullif(total(weight * timed_minutes), 0) as slides_per_minute,
    from fact.take_tally
    where player_id is not null and state = 'judged'
    group by player_id
)
select
    tally.player_id,
    tally.slides_per_minute,
    rate.slides_per_minute as estimated_slides_per_minute,
from tally
left join summary.rate
    on rate.grouping = 'player' and rate.group_key = tally.player_id
where
    tally.slides_per_minute is not null
    and coalesce(abs(tally.slides_per_minute - rate.slides_per_minute) > 1e-9, true)
