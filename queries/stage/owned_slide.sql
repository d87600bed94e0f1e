select
    judged_slide.slide_id,
    judged_slide.is_slide,
    counted_span.transfer_id,
    counted_span.take_id,
    counted_span.player_id,
    chance.transition_id,
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
    -- Of the transition, so that slides and chances of a size go together.
    round(abs(coalesce(chance.interval_cents, judged_slide.interval_cents)) / 100)::bigint as semitones,
    judged_slide.kind,
    judged_slide.found_kind,
    judged_slide.verdict,
    judged_slide.confidence,
    coalesce(chance.is_slurred, false) as is_slurred,
    counted_span.speed_state,
from stage.counted_span
join stage.judged_slide
    on
        judged_slide.transfer_id = counted_span.transfer_id
        and judged_slide.transfer_middle_s >= counted_span.transfer_start_s
        and judged_slide.transfer_middle_s < counted_span.transfer_end_s
left join stage.chance
    on chance.from_note_id = judged_slide.from_note_id and chance.to_note_id = judged_slide.to_note_id
-- What is no slide though no listener took it away is a find between strings of a chord, which is no chance either.
where judged_slide.is_slide or judged_slide.verdict = 'no_slide'
