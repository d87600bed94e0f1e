select effect.*,
from result.effect
