with
counted_span as (
    select
        analysed_take.take_id,
        analysed_take.transfer_id,
        analysed_take.speed_state,
        solo_span.player_id,
        solo_span.transfer_start_s,
        solo_span.transfer_end_s,
    from stage.analysed_take
    join base.solo_span
        on solo_span.transfer_id = analysed_take.transfer_id and solo_span.take_id = analysed_take.take_id
    where solo_span.counted
)
select
    judged_slide.slide_id,
    counted_span.transfer_id,
    counted_span.take_id,
    counted_span.player_id,
    transition.transition_id,
    judged_slide.origin,
    judged_slide.transfer_audible_start_s,
    judged_slide.transfer_audible_end_s,
    judged_slide.interval_cents,
    judged_slide.duration_ms,
    judged_slide.gradient_cents_per_s,
    case
        when judged_slide.interval_cents > 0 then 'rising'
        when judged_slide.interval_cents < 0 then 'falling'
    end as direction,
    round(abs(coalesce(transition.interval_cents, judged_slide.interval_cents)) / 100)::bigint as semitones,
    judged_slide.kind,
    judged_slide.found_kind,
    judged_slide.verdict,
    judged_slide.confidence,
    coalesce(transition.slurred_probability > 0.5, false) as is_slurred,
    counted_span.speed_state,
from counted_span
join stage.judged_slide
    on
        judged_slide.transfer_id = counted_span.transfer_id
        and (judged_slide.transfer_audible_start_s + judged_slide.transfer_audible_end_s) / 2
        >= counted_span.transfer_start_s
        and (judged_slide.transfer_audible_start_s + judged_slide.transfer_audible_end_s) / 2
        < counted_span.transfer_end_s
left join base.transition
    on
        transition.from_note_id = judged_slide.from_note_id
        and transition.to_note_id = judged_slide.to_note_id
        and transition.exposure
where judged_slide.is_slide
