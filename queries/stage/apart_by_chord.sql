with
chord_note as (
    select distinct note_id
    from base.chord_note
    where note_id is not null
),
within_chord as (
    select distinct
        one.note_id as from_note_id,
        other.note_id as to_note_id,
    from base.chord_note as one
    join base.chord_note as other
        on other.chord_id = one.chord_id and other.note_number != one.note_number
)
select
    transition.from_note_id,
    transition.to_note_id,
    within_chord.from_note_id is not null as is_within_chord,
from base.transition
left join within_chord
    on
        within_chord.from_note_id = transition.from_note_id
        and within_chord.to_note_id = transition.to_note_id
left join base.transition_hand
    on transition_hand.transition_id = transition.transition_id and transition_hand.speed_rank = 1
where
    within_chord.from_note_id is not null
    or (
        transition_hand.same_string_probability < 0.05
        and (transition.from_note_id in (from chord_note) or transition.to_note_id in (from chord_note))
    )
