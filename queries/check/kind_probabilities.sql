select
    slide_id,
    p_same_finger + p_departing_finger + p_arriving_finger + p_two_finger + p_into_note + p_cannot_tell as total,
from base.slide
where
    abs(
        p_same_finger + p_departing_finger + p_arriving_finger + p_two_finger + p_into_note + p_cannot_tell - 1
    ) > 1e-6
