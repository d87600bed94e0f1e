select
    note.chord_id,
    note.note_number,
    chord.transfer_id,
    chord.take_id,
    chord.player_id,
    note.midi,
    note.midi_error_cents,
    note.mean_cents,
    note.level_db,
    note.sounds_later,
    note.later_ms,
    note.later_error_ms,
    hand.string,
    hand.finger,
    hand.strained,
    hand.position,
    hand.probability as way_probability,
from fact.chord
join base.chord_note as note
    on note.chord_id = chord.chord_id
left join base.chord_hand as hand
    on
        hand.chord_id = note.chord_id
        and hand.note_number = note.note_number
        and hand.rank = 1
        and hand.speed_rank = 1
