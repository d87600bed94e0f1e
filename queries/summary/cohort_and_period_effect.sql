select
    model,
    measure,
    term,
    ratio,
    ratio_low,
    ratio_high,
    takes,
    players,
    warning,
from result.effect
