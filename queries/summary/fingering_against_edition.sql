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
from base.fingering_match as fingering
join base.take
    on take.take_id = fingering.take_id
group by take.work_id, fingering.edition, fingering.take_id, fingering.transfer_id
