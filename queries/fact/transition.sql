select owned_transition.*,
from stage.owned_transition
