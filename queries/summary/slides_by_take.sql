with
-- Of a take that could not be judged because several play at once, all of them.
several as (
    select
        performance.take_id,
        string_agg(distinct player.name, ' / ' order by player.name) as names,
    from base.performance
    join base.player
        on player.player_id = performance.player_id
    where coalesce(performance.role, 'soloist') = 'soloist'
    group by performance.take_id
)
select
    tally.take_id,
    take.matrix_number,
    take.take_number,
    tally.player_id,
    coalesce(player.name, several.names, 'no single player named') as player,
    tally.certainty,
    work.title as work,
    tally.recorded,
    tally.process,
    tally.accompaniment,
    tally.state,
    tally.reason,
    tally.transfers,
    tally.minutes,
    tally.transitions,
    tally.slurred_transitions,
    tally.found_slides,
    tally.slides,
    tally.slurred_slides,
    minute.rate as slides_per_minute,
    minute.low as slides_per_minute_low,
    minute.high as slides_per_minute_high,
    minute.poisson_low as slides_per_minute_poisson_low,
    minute.poisson_high as slides_per_minute_poisson_high,
    minute.corrected as slides_per_minute_corrected,
    minute.corrected_low as slides_per_minute_corrected_low,
    minute.corrected_high as slides_per_minute_corrected_high,
    transition.rate as slides_per_100_transitions,
    transition.low as slides_per_100_transitions_low,
    transition.high as slides_per_100_transitions_high,
    transition.poisson_low as slides_per_100_transitions_poisson_low,
    transition.poisson_high as slides_per_100_transitions_poisson_high,
    transition.corrected as slides_per_100_transitions_corrected,
    transition.corrected_low as slides_per_100_transitions_corrected_low,
    transition.corrected_high as slides_per_100_transitions_corrected_high,
    transition.correction,
    transition.judged,
    transition.planted,
    tally.has_ambiguous_speed,
    tally.reviewed_slides,
    tally.rejected_slides,
    tally.undecided_slides,
    tally.added_slides,
    minute.warning,
from fact.take_tally as tally
join base.take
    on take.take_id = tally.take_id
left join several
    on several.take_id = tally.take_id
left join base.player
    on player.player_id = tally.player_id
left join base.work
    on work.work_id = tally.work_id
left join result.estimate as minute
    on
        minute.grouping = 'take'
        and minute.group_key = tally.take_id || '/' || coalesce(tally.player_id, '~')
        and minute.measure = 'slides_per_minute'
        and minute.estimand = 'music_as_recorded'
left join result.estimate as transition
    on
        transition.grouping = 'take'
        and transition.group_key = tally.take_id || '/' || coalesce(tally.player_id, '~')
        and transition.measure = 'slides_per_100_transitions'
        and transition.estimand = 'music_as_recorded'
