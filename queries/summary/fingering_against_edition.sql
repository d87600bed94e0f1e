with
chord as (
    select distinct
        edition,
        take_id,
        transfer_id,
        event,
        time_through,
        chord_id is not null as is_found,
        verdict,
    from base.chord_fingering_match
),
chords as (
    select
        edition,
        take_id,
        transfer_id,
        count(*) as printed,
        count(*) filter (where is_found) as found,
        count(*) filter (where verdict = 'agree') as agree,
        count(*) filter (where verdict = 'differ') as differ,
        count(*) filter (where verdict = 'cannot_tell') as cannot_tell,
    from chord
    group by edition, take_id, transfer_id
)
select
    take.work_id,
    fingering.edition,
    fingering.take_id,
    fingering.transfer_id,
    count(*) as printed_notes,
    count(fingering.note_id) as found_notes,
    count(*) filter (where fingering.verdict in ('agree', 'differ', 'cannot_tell')) as fingered_notes,
    count(*) filter (where fingering.verdict = 'agree') as agree,
    count(*) filter (where fingering.verdict = 'differ') as differ,
    count(*) filter (where fingering.verdict = 'cannot_tell') as cannot_tell,
    count(*) filter (where fingering.verdict = 'agree')
    / nullif(count(*) filter (where fingering.verdict in ('agree', 'differ')), 0) as share_agree,
    count(*) filter (where fingering.printed_shift) as printed_shifts,
    count(*) filter (where fingering.printed_shift and fingering.shift_verdict = 'agree') as shifts_agree,
    count(*) filter (where fingering.printed_shift and fingering.shift_verdict = 'differ') as shifts_differ,
    count(*) filter (where fingering.printed_shift and fingering.slide_heard) as printed_shifts_heard,
    count(*) filter (where fingering.slide_marked) as slides_marked,
    count(*) filter (where fingering.slide_marked and fingering.slide_heard) as slides_marked_heard,
    count(*) filter (where not coalesce(fingering.slide_marked, false) and fingering.slide_heard) as slides_not_marked,
    coalesce(any_value(chords.printed), 0) as printed_chords,
    coalesce(any_value(chords.found), 0) as found_chords,
    coalesce(any_value(chords.agree), 0) as chords_agree,
    coalesce(any_value(chords.differ), 0) as chords_differ,
    coalesce(any_value(chords.cannot_tell), 0) as chords_cannot_tell,
from base.fingering_match as fingering
join base.take
    on take.take_id = fingering.take_id
left join chords
    on
        chords.edition = fingering.edition
        and chords.take_id = fingering.take_id
        and chords.transfer_id = fingering.transfer_id
group by take.work_id, fingering.edition, fingering.take_id, fingering.transfer_id
