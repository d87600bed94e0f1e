with
summed as (
    select
        member.grouping,
        member.group_key,
        total(member.weight) as takes,
        total(if(take.state = 'not_judged', member.weight, 0)) as takes_not_judged,
        total(if(take.state = 'judged', member.weight * take.transfers, 0)) as transfers,
        count(distinct take.session_key) filter (where take.state = 'judged') as sessions,
        count(distinct take.session_key)
            filter (where take.state = 'judged' and take.session_basis in ('year', 'label')) as sessions_assumed,
        count(distinct take.player_id) filter (where take.state = 'judged') as players,
        coalesce(total(member.weight * take.minutes), 0) as minutes,
        coalesce(total(member.weight * take.transitions), 0) as transitions,
        coalesce(total(member.weight * take.slurred_transitions), 0) as slurred_transitions,
        coalesce(total(member.weight * take.slides), 0) as slides,
        coalesce(total(member.weight * take.slurred_slides), 0) as slurred_slides,
        total(member.weight * take.rising_slides) as rising_slides,
        total(member.weight * take.same_finger) as same_finger,
        total(member.weight * take.departing_finger) as departing_finger,
        total(member.weight * take.arriving_finger) as arriving_finger,
        total(member.weight * take.two_finger) as two_finger,
        total(member.weight * take.into_note) as into_note,
        total(member.weight * take.cannot_tell) as cannot_tell,
        total(if(take.has_ambiguous_speed, member.weight, 0)) as takes_of_ambiguous_speed,
        total(if(take.timed_minutes < take.minutes, member.weight, 0)) as takes_of_unmeasurable_speed,
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
    transfers,
    sessions,
    sessions_assumed,
    players,
    minutes,
    transitions,
    slurred_transitions,
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
from summed
