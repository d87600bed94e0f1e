select
    minute.grouping,
    minute.group_key,
    minute.rate as slides_per_minute,
    minute.low as slides_per_minute_low,
    minute.high as slides_per_minute_high,
    transition.rate as slides_per_100_transitions,
    transition.low as slides_per_100_transitions_low,
    transition.high as slides_per_100_transitions_high,
    slurred.rate as slides_per_100_slurred_transitions,
    slurred.low as slides_per_100_slurred_transitions_low,
    slurred.high as slides_per_100_slurred_transitions_high,
    minute.poisson_low as slides_per_minute_poisson_low,
    minute.poisson_high as slides_per_minute_poisson_high,
    minute.cluster_unit,
    minute.clusters,
    coalesce(minute.method, transition.method, slurred.method, 'no exposure') as method,
    minute.warning,
from result.estimate as minute
join result.estimate as transition
    on
        transition.grouping = minute.grouping
        and transition.group_key = minute.group_key
        and transition.estimand = minute.estimand
        and transition.measure = 'slides_per_100_transitions'
join result.estimate as slurred
    on
        slurred.grouping = minute.grouping
        and slurred.group_key = minute.group_key
        and slurred.estimand = minute.estimand
        and slurred.measure = 'slides_per_100_slurred_transitions'
where minute.measure = 'slides_per_minute' and minute.estimand = 'music_as_recorded'
