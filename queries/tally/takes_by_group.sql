with
-- A take of several players is one take.
took as (
    select
        member.grouping,
        member.group_key,
        member.take_id,
        max(member.weight) as weight,
        max(take.transfers) as transfers,
        bool_or(take.state = 'judged') as is_judged,
        bool_or(take.certainty in ('possible', 'probable')) as is_doubtful,
        bool_or(take.has_ambiguous_speed) as is_ambiguous,
        bool_or(take.timed_minutes < take.minutes) as is_unmeasurable,
        bool_or(take.bars > 0) as has_bars,
    from tally.take_in_group as member
    join fact.take_tally as take
        on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
    group by member.grouping, member.group_key, member.take_id
),
counted as (
    select
        grouping,
        group_key,
        total(weight) as takes,
        total(if(is_judged, 0, weight)) as takes_not_judged,
        total(if(is_doubtful, weight, 0)) as takes_doubtful,
        total(if(is_judged, weight * transfers, 0)) as transfers,
        total(if(is_ambiguous, weight, 0)) as takes_of_ambiguous_speed,
        total(if(is_unmeasurable, weight, 0)) as takes_of_unmeasurable_speed,
        total(if(has_bars, weight, 0)) as takes_with_bars,
    from took
    group by grouping, group_key
),
summed as (
    select
        member.grouping,
        member.group_key,
        count(distinct take.session_key) filter (where take.state = 'judged') as sessions,
        count(distinct take.session_key)
            filter (where take.state = 'judged' and take.session_basis in ('year', 'label')) as sessions_assumed,
        count(distinct take.player_id) filter (where take.state = 'judged') as players,
        coalesce(total(member.weight * take.minutes), 0) as minutes,
        coalesce(total(member.weight * take.transitions), 0) as transitions,
        coalesce(total(member.weight * take.slurred_transitions), 0) as slurred_transitions,
        coalesce(total(member.weight * take.bars), 0) as bars,
        coalesce(total(member.weight * take.found_slides), 0) as found_slides,
        coalesce(total(member.weight * take.slides), 0) as slides,
        coalesce(total(member.weight * take.slurred_slides), 0) as slurred_slides,
        total(member.weight * take.rising_slides) as rising_slides,
        total(member.weight * take.same_finger) as same_finger,
        total(member.weight * take.departing_finger) as departing_finger,
        total(member.weight * take.arriving_finger) as arriving_finger,
        total(member.weight * take.two_finger) as two_finger,
        total(member.weight * take.into_note) as into_note,
        total(member.weight * take.cannot_tell) as cannot_tell,
        coalesce(total(member.weight * take.reviewed_slides), 0) as reviewed_slides,
    from tally.take_in_group as member
    join fact.take_tally as take
        on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
    group by member.grouping, member.group_key
)
select
    grouping,
    group_key,
    takes,
    takes_not_judged,
    takes_doubtful,
    transfers,
    sessions,
    sessions_assumed,
    players,
    minutes,
    transitions,
    slurred_transitions,
    found_slides,
    slides,
    slurred_slides,
    rising_slides / nullif(slides, 0) as share_rising,
    same_finger / nullif(slides, 0) as share_same_finger,
    departing_finger / nullif(slides, 0) as share_departing_finger,
    arriving_finger / nullif(slides, 0) as share_arriving_finger,
    two_finger / nullif(slides, 0) as share_two_finger,
    into_note / nullif(slides, 0) as share_into_note,
    cannot_tell / nullif(slides, 0) as share_cannot_tell,
    takes_of_ambiguous_speed,
    takes_of_unmeasurable_speed,
    reviewed_slides,
    takes_with_bars,
    bars,
from summed
join counted using (grouping, group_key)
