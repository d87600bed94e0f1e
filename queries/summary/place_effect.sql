select effect.*,
from result.place_effect as effect
