with
slid as (
    select
        from_note_id,
        to_note_id,
        min(slide_id) filter (where is_slide) as slide_id,
    from stage.judged_slide
    where from_note_id is not null
    group by from_note_id, to_note_id
)
select
    chance.transition_id,
    counted_span.transfer_id,
    counted_span.take_id,
    counted_span.player_id,
    chance.interval_cents,
    chance.direction,
    chance.semitones,
    chance.gap_ms,
    chance.slurred_probability,
    chance.is_slurred,
    chance.from_note_id,
    chance.to_note_id,
    chance.slide_score,
    second_note.approach_cents,
    second_note.approach_ms,
    slid.slide_id is not null as has_slide,
    slid.slide_id,
    -- Only finds stand between notes, whatever listeners said of them.
    slid.to_note_id is not null as has_find,
from stage.counted_span
join stage.chance
    on chance.transfer_id = counted_span.transfer_id and chance.take_id = counted_span.take_id
join base.note as second_note
    on
        second_note.note_id = chance.to_note_id
        and second_note.transfer_start_s >= counted_span.transfer_start_s
        and second_note.transfer_start_s < counted_span.transfer_end_s
left join slid
    on slid.from_note_id = chance.from_note_id and slid.to_note_id = chance.to_note_id
