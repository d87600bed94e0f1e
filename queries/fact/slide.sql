select owned_slide.* exclude (is_slide),
from stage.owned_slide
where owned_slide.is_slide
