select
    note.note_id,
    note.transfer_id,
    note.take_id,
    note.transfer_start_s,
    (note.transfer_start_s + note.transfer_end_s) / 2 as transfer_middle_s,
    note.midi - laid_take.shift_semitones as midi,
    row_number() over (
        partition by note.transfer_id, note.take_id order by note.transfer_start_s, note.note_id
    ) as number,
    written_match.run,
    written_match.event,
    written_match.state,
    written_match.probability,
from stage.laid_take
join base.note
    on note.transfer_id = laid_take.transfer_id and note.take_id = laid_take.take_id
left join base.written_match
    on
        written_match.note_id = note.note_id
        and written_match.transfer_id = laid_take.transfer_id
        and written_match.take_id = laid_take.take_id
        and written_match.edition = laid_take.edition
