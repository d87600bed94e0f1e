select
    slide.slide_id,
    slide.transfer_id,
    slide.transfer_audible_start_s,
    slide.transfer_audible_end_s,
from stage.judged_slide as slide
anti join base.solo_span
    on
        solo_span.transfer_id = slide.transfer_id
        and solo_span.content = 'solo'
        and slide.transfer_middle_s >= solo_span.transfer_start_s
        and slide.transfer_middle_s < solo_span.transfer_end_s
where slide.origin = 'found'
