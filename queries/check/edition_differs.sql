with
event as (
    select
        work_id,
        edition,
        bar_index,
        beat,
        arg_min(bar, note_number) as bar,
        string_agg(coalesce(name, midi::varchar), ' ' order by midi) as notes,
        list(midi order by midi) as midi,
    from base.written_note
    where bar_index is not null and beat is not null and not coalesce(grace, false)
    group by all
),
reference as (
    select event.*
    from event
    join stage.reference_part using (work_id, edition)
),
edition as (
    select
        event.*,
        min(event.bar_index) over (partition by event.work_id, event.edition) as first_bar,
        max(event.bar_index) over (partition by event.work_id, event.edition) as last_bar,
    from event
    anti join stage.reference_part using (work_id, edition)
),
held as (
    select distinct work_id, edition, first_bar, last_bar
    from edition
),
expected as (
    select
        held.work_id,
        held.edition,
        reference.edition as reference,
        reference.bar_index,
        reference.beat,
        reference.bar,
        reference.notes,
        reference.midi,
    from held
    join reference
        on
            reference.work_id = held.work_id
            and reference.bar_index between held.first_bar and held.last_bar
)
select
    work_id,
    edition,
    bar_index,
    coalesce(edition.bar, expected.bar) as bar,
    beat,
    edition.notes as notes,
    expected.notes as reference_notes,
from edition
full join expected using (work_id, edition, bar_index, beat)
where
    edition.midi is distinct from expected.midi
    and work_id in (select reference.work_id from reference)
