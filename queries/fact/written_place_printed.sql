with
step as (
    select
        *,
        lead(event) over part as to_event,
        lead(note_number) over part as to_note_number,
        lead(midi) over part as to_midi,
        lead(string) over part as to_string,
        lead(finger) over part as to_finger,
        lead(position) over part as to_position,
    from stage.written_event
    window part as (partition by work_id, edition order by event)
)
select
    written_place.written_place_id,
    step.edition,
    written_place.work_id,
    step.event as from_event,
    step.to_event,
    step.note_number,
    step.to_note_number,
    step.string as from_string,
    step.finger as from_finger,
    step.position as from_position,
    step.to_string,
    step.to_finger,
    step.to_position,
    step.is_slurred,
    step.slide_marked,
from fact.written_place
join step
    on
        step.work_id = written_place.work_id
        and step.midi = written_place.from_midi
        and step.to_midi = written_place.to_midi
        and (
            (step.edition = written_place.edition and step.event = written_place.from_event)
            or (
                step.edition <> written_place.edition
                and step.bar_index = written_place.bar_index
                and step.beat = written_place.beat
                and step.nth = written_place.nth
            )
        )
