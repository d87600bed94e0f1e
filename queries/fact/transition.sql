with
counted_span as (
    select
        analysed_take.take_id,
        analysed_take.transfer_id,
        solo_span.player_id,
        solo_span.transfer_start_s,
        solo_span.transfer_end_s,
    from stage.analysed_take
    join base.solo_span
        on solo_span.transfer_id = analysed_take.transfer_id and solo_span.take_id = analysed_take.take_id
    where solo_span.counted
),
slid as (
    select
        from_note_id,
        to_note_id,
        min(slide_id) as slide_id,
    from stage.judged_slide
    where is_slide and from_note_id is not null
    group by from_note_id, to_note_id
)
select
    transition.transition_id,
    counted_span.transfer_id,
    counted_span.take_id,
    counted_span.player_id,
    transition.interval_cents,
    case when transition.interval_cents > 0 then 'rising' else 'falling' end as direction,
    round(abs(transition.interval_cents) / 100)::bigint as semitones,
    transition.gap_ms,
    transition.slurred_probability,
    coalesce(transition.slurred_probability > 0.5, false) as is_slurred,
    note.approach_cents,
    note.approach_ms,
    slid.slide_id is not null as has_slide,
    slid.slide_id,
from counted_span
join base.transition
    on transition.transfer_id = counted_span.transfer_id and transition.take_id = counted_span.take_id
join base.note
    on
        note.note_id = transition.to_note_id
        and note.transfer_start_s >= counted_span.transfer_start_s
        and note.transfer_start_s < counted_span.transfer_end_s
left join slid
    on slid.from_note_id = transition.from_note_id and slid.to_note_id = transition.to_note_id
where transition.exposure
