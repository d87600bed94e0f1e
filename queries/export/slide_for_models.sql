with
placed as (
    select
        slide_id,
        min(written_place_id) as written_place_id,
    from fact.written_place_take
    where slide_id is not null
    group by slide_id
)
select
    slide.slide_id,
    slide.take_id,
    slide.transfer_id,
    slide.player_id,
    slide.transition_id,
    slide.origin,
    measured.start_s,
    measured.end_s,
    measured.audible_start_s,
    measured.audible_end_s,
    slide.transfer_audible_start_s,
    slide.transfer_audible_end_s,
    measured.from_midi,
    measured.to_midi,
    measured.step_from_midi,
    measured.step_to_midi,
    slide.interval_cents,
    measured.glided_cents,
    slide.semitones,
    slide.direction,
    slide.duration_ms,
    slide.gradient_cents_per_s,
    measured.gradient_hz_per_s,
    measured.inflection_s,
    measured.prominence_db,
    slide.kind,
    slide.found_kind,
    measured.p_same_finger,
    measured.p_departing_finger,
    measured.p_arriving_finger,
    measured.p_two_finger,
    measured.p_into_note,
    measured.p_cannot_tell,
    slide.confidence,
    if(
        recalibration.used like 'shift%',
        1 / (
            1 + exp(
                -recalibration.offset
                - recalibration.slope * (
                    ln(least(greatest(slide.confidence, 1e-9), 1 - 1e-9))
                    - ln(1 - least(greatest(slide.confidence, 1e-9), 1 - 1e-9))
                    + recalibration.shift
                )
            )
        ),
        slide.confidence
    ) as confidence_here,
    measured.audible_index,
    measured.stroke,
    measured.p_stroke_before,
    measured.p_stroke_after,
    measured.p_stroke_both,
    slide.verdict,
    slide.is_slurred,
    slide.speed_state,
    placed.written_place_id,
    written_place.bar,
    written_place.beat,
from fact.slide
left join placed
    on placed.slide_id = slide.slide_id
left join fact.written_place
    on written_place.written_place_id = placed.written_place_id
left join base.slide as measured
    on measured.slide_id = slide.slide_id
left join result.recalibration
    on true
