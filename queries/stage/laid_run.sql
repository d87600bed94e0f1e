with
come_by as (
    select
        laid_note.transfer_id,
        laid_note.take_id,
        laid_note.run,
        laid_note.event,
        written_match.time_through > 1 as is_again,
        written_match.decided as is_decided,
    from stage.laid_note
    join stage.laid_take using (transfer_id, take_id)
    join base.written_match
        on written_match.note_id = laid_note.note_id and written_match.edition = laid_take.edition
    where laid_note.run is not null
    union all
    select
        transfer_id,
        take_id,
        run,
        event,
        null as is_again,
        false as is_decided,
    from stage.laid_line
),
run as (
    select
        transfer_id,
        take_id,
        run,
        min(event) as first_event,
        max(event) as last_event,
        count(is_again) as notes,
        bool_and(is_again) as is_again,
        bool_or(is_decided) as is_decided,
    from come_by
    group by transfer_id, take_id, run
),
-- What is written to be played again.
repeated as (
    select
        work_id,
        edition,
        to_event as first_event,
        from_event as last_event,
    from base.written_way
    where to_event between 1 and from_event
)
select
    run.transfer_id,
    run.take_id,
    run.run,
    run.first_event,
    run.last_event,
    -- Fewer notes than tell a work at all may be a figure that comes back elsewhere in the music.
    coalesce(run.is_again and run.notes < 8 and not run.is_decided, false)
    and not exists (
        from stage.laid_take
        join repeated using (work_id, edition)
        where
            laid_take.transfer_id = run.transfer_id
            and laid_take.take_id = run.take_id
            and repeated.first_event <= run.last_event
            and repeated.last_event >= run.first_event
    ) as is_doubtful,
from run
