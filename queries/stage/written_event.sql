with
struck as (
    select
        work_id,
        edition,
        event,
        min(bar_index) as bar_index,
        min(bar) as bar,
        min(beat) as beat,
        max(midi) as midi,
        coalesce(arg_max(name, midi), round(max(midi))::bigint::varchar) as name,
        count(*) > 1 as is_chord,
        bool_and(coalesce(grace, false)) as is_grace,
        arg_max(string, midi) as string,
        arg_max(finger, midi) as finger,
        arg_max(position, midi) as position,
        bool_or(coalesce(slide_marked, false)) as slide_marked,
        bool_or(coalesce(slurred_to_next, false)) as is_slurred,
        arg_max(note_number, midi) as note_number,
    from base.written_note
    group by work_id, edition, event
)
select
    *,
    -- Grace notes stand at the beat of the note that they decorate.
    row_number() over (partition by work_id, edition, bar_index, beat order by event) as nth,
from struck
