with
step as (
    select
        written_event.*,
        lead(event) over part as to_event,
        lead(bar) over part as to_bar,
        lead(beat) over part as to_beat,
        lead(midi) over part as to_midi,
        lead(name) over part as to_name,
        lead(is_chord) over part as to_is_chord,
    from stage.written_event
    join stage.reference_part using (work_id, edition)
    window part as (partition by work_id, edition order by event)
)
select
    work_id || '-' || case
        when bar_index is null or beat is null then 'n' || event
        else bar_index || '-' || regexp_replace(round(beat, 3)::varchar, '\.0$', '') || '-' || nth
    end as written_place_id,
    work_id,
    edition,
    event as from_event,
    to_event,
    bar_index,
    bar,
    beat,
    nth,
    to_bar,
    to_beat,
    name as from_name,
    to_name,
    midi as from_midi,
    to_midi,
    to_midi - midi as interval_semitones,
    is_slurred,
    slide_marked,
    is_chord,
    to_is_chord,
    abs(to_midi - midi) >= 0.5 as is_chance,
from step
where to_event is not null
