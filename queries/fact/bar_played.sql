with
bar as (
    select
        written_event.work_id,
        written_event.bar_index,
        min(written_event.bar) as bar,
        min(written_event.event) as first_event,
        max(written_event.event) as last_event,
    from stage.written_event
    join stage.reference_part using (work_id, edition)
    where written_event.bar_index is not null
    group by written_event.work_id, written_event.bar_index
),
-- Whole bars: of one that a run enters or leaves in the middle nobody knows how many slides it would have had.
passed as (
    select
        laid_run.transfer_id,
        laid_run.take_id,
        laid_run.run,
        bar.*,
    from stage.laid_run
    join stage.laid_take
        on laid_take.transfer_id = laid_run.transfer_id and laid_take.take_id = laid_run.take_id
    join bar
        on
            bar.work_id = laid_take.work_id
            and bar.first_event >= laid_run.first_event
            and bar.last_event <= laid_run.last_event
    where not laid_run.is_doubtful
),
found as (
    select
        laid_note.transfer_id,
        laid_note.take_id,
        laid_note.number,
        laid_note.run,
        bar.bar_index,
        counted_span.player_id,
        counted_span.transfer_id is not null as is_counted,
    from stage.laid_note
    join stage.laid_take
        on laid_take.transfer_id = laid_note.transfer_id and laid_take.take_id = laid_note.take_id
    join bar
        on bar.work_id = laid_take.work_id and laid_note.event between bar.first_event and bar.last_event
    left join stage.counted_span
        on
            counted_span.transfer_id = laid_note.transfer_id
            and counted_span.take_id = laid_note.take_id
            and laid_note.transfer_start_s >= counted_span.transfer_start_s
            and laid_note.transfer_start_s < counted_span.transfer_end_s
    where laid_note.run is not null
),
-- A bar of two players is nobody's.
solo as (
    select
        transfer_id,
        take_id,
        run,
        bar_index,
        min(player_id) as player_id,
    from found
    group by transfer_id, take_id, run, bar_index
    having bool_and(is_counted) and count(distinct player_id) <= 1
),
-- A slide belongs to the note that it leads to, and a note beside the part to the next written one.
slid as (
    select
        written.transfer_id,
        written.take_id,
        written.run,
        written.bar_index,
        count(*) as slides,
    from stage.owned_slide
    join base.slide
        on slide.slide_id = owned_slide.slide_id
    join stage.laid_note
        on laid_note.note_id = slide.to_note_id
    asof join found as written
        on
            written.transfer_id = laid_note.transfer_id
            and written.take_id = laid_note.take_id
            and written.number >= laid_note.number
    where owned_slide.origin = 'found'
    group by written.transfer_id, written.take_id, written.run, written.bar_index
)
select
    passed.transfer_id,
    passed.take_id,
    passed.run,
    passed.work_id,
    passed.bar_index,
    passed.bar,
    solo.player_id,
    coalesce(slid.slides, 0) as slides,
from passed
join solo using (transfer_id, take_id, run, bar_index)
left join slid using (transfer_id, take_id, run, bar_index)
