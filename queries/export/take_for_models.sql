with
scheme as (
    select scheme,
    from fact.school_member
    where school_id <> 'unplaced'
    group by scheme
    order by count(*) desc, scheme
    limit 1
),
placed as (
    select
        school_member.player_id,
        school_member.scheme,
        arg_max(school_member.school_id, (school_member.share, school_member.school_id)) as school_id,
    from fact.school_member
    join scheme
        on scheme.scheme = school_member.scheme
    where school_member.school_id <> 'unplaced'
    group by school_member.player_id, school_member.scheme
)
select
    take_tally.take_id,
    take_tally.player_id,
    player.name as player,
    player.born_earliest,
    player.born_latest,
    placed.school_id,
    placed.scheme as school_scheme,
    take_tally.session_key,
    take_tally.work_id,
    work.title as work,
    take_tally.instrument,
    take_tally.certainty,
    take_tally.recorded,
    take_tally.recorded_earliest,
    take_tally.recorded_latest,
    take_tally.process,
    take_tally.accompaniment,
    take_tally.state = 'judged' as judged,
    take_tally.reason,
    take_tally.transfers,
    take_tally.minutes,
    take_tally.transitions,
    take_tally.slurred_transitions,
    take_tally.slides,
    take_tally.slurred_slides,
    take_tally.rising_slides,
    take_tally.same_finger,
    take_tally.departing_finger,
    take_tally.arriving_finger,
    take_tally.two_finger,
    take_tally.into_note,
    take_tally.cannot_tell,
    take_tally.timed_minutes,
    take_tally.found_slides,
    take_tally.timed_found_slides,
    take_tally.slid_transitions,
    take_tally.bars,
    take_tally.bar_slides,
    expected.expected_slides,
    take_tally.slides_per_minute,
    take_tally.slides_per_100_transitions,
    known.slides_per_find,
    known.slides_per_find_low,
    known.slides_per_find_high,
    coalesce(known.correction, 'uncorrected') as correction,
    take_tally.has_ambiguous_speed,
    take_tally.reviewed_slides,
from fact.take_tally
left join base.player
    on player.player_id = take_tally.player_id
left join base.work
    on work.work_id = take_tally.work_id
left join placed
    on placed.player_id = take_tally.player_id
left join result.slides_per_find as known
    on known.take_id = take_tally.take_id and known.player_key = coalesce(take_tally.player_id, '~')
left join result.expected_slides as expected
    on expected.take_id = take_tally.take_id and expected.player_key = coalesce(take_tally.player_id, '~')
