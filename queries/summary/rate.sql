select
    minute.grouping,
    minute.group_key,
    minute.rate as slides_per_minute,
    minute.low as slides_per_minute_low,
    minute.high as slides_per_minute_high,
    minute.corrected as slides_per_minute_corrected,
    minute.corrected_low as slides_per_minute_corrected_low,
    minute.corrected_high as slides_per_minute_corrected_high,
    transition.rate as slides_per_100_transitions,
    transition.low as slides_per_100_transitions_low,
    transition.high as slides_per_100_transitions_high,
    transition.corrected as slides_per_100_transitions_corrected,
    transition.corrected_low as slides_per_100_transitions_corrected_low,
    transition.corrected_high as slides_per_100_transitions_corrected_high,
    slurred.rate as slides_per_100_slurred_transitions,
    slurred.low as slides_per_100_slurred_transitions_low,
    slurred.high as slides_per_100_slurred_transitions_high,
    slurred.corrected as slides_per_100_slurred_transitions_corrected,
    slurred.corrected_low as slides_per_100_slurred_transitions_corrected_low,
    slurred.corrected_high as slides_per_100_slurred_transitions_corrected_high,
    average_minute.rate as average_player_per_minute,
    average_minute.low as average_player_per_minute_low,
    average_minute.high as average_player_per_minute_high,
    average_minute.corrected as average_player_per_minute_corrected,
    average_minute.corrected_low as average_player_per_minute_corrected_low,
    average_minute.corrected_high as average_player_per_minute_corrected_high,
    typical_minute.rate as typical_player_per_minute,
    typical_minute.low as typical_player_per_minute_low,
    typical_minute.high as typical_player_per_minute_high,
    typical_minute.corrected as typical_player_per_minute_corrected,
    typical_minute.corrected_low as typical_player_per_minute_corrected_low,
    typical_minute.corrected_high as typical_player_per_minute_corrected_high,
    average_hundred.rate as average_player_per_100_transitions,
    average_hundred.low as average_player_per_100_transitions_low,
    average_hundred.high as average_player_per_100_transitions_high,
    average_hundred.corrected as average_player_per_100_transitions_corrected,
    average_hundred.corrected_low as average_player_per_100_transitions_corrected_low,
    average_hundred.corrected_high as average_player_per_100_transitions_corrected_high,
    typical_hundred.rate as typical_player_per_100_transitions,
    typical_hundred.low as typical_player_per_100_transitions_low,
    typical_hundred.high as typical_player_per_100_transitions_high,
    typical_hundred.corrected as typical_player_per_100_transitions_corrected,
    typical_hundred.corrected_low as typical_player_per_100_transitions_corrected_low,
    typical_hundred.corrected_high as typical_player_per_100_transitions_corrected_high,
    standard.rate as standardised_per_100_transitions,
    standard.low as standardised_per_100_transitions_low,
    standard.high as standardised_per_100_transitions_high,
    standard.corrected as standardised_per_100_transitions_corrected,
    standard.corrected_low as standardised_per_100_transitions_corrected_low,
    standard.corrected_high as standardised_per_100_transitions_corrected_high,
    ratio.rate as observed_over_expected,
    ratio.low as observed_over_expected_low,
    ratio.high as observed_over_expected_high,
    ratio.corrected as observed_over_expected_corrected,
    ratio.corrected_low as observed_over_expected_corrected_low,
    ratio.corrected_high as observed_over_expected_corrected_high,
    minute.poisson_low as slides_per_minute_poisson_low,
    minute.poisson_high as slides_per_minute_poisson_high,
    minute.correction,
    minute.judged,
    minute.planted,
    minute.cluster_unit,
    minute.clusters,
    coalesce(minute.method, transition.method, slurred.method, 'no exposure') as method,
    minute.warning,
    rate_per_bar.* exclude (grouping, group_key),
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
left join result.estimate as average_minute
    on
        average_minute.grouping = minute.grouping
        and average_minute.group_key = minute.group_key
        and average_minute.measure = 'slides_per_minute'
        and average_minute.estimand = 'average_player'
left join result.estimate as typical_minute
    on
        typical_minute.grouping = minute.grouping
        and typical_minute.group_key = minute.group_key
        and typical_minute.measure = 'slides_per_minute'
        and typical_minute.estimand = 'typical_player'
left join result.estimate as average_hundred
    on
        average_hundred.grouping = minute.grouping
        and average_hundred.group_key = minute.group_key
        and average_hundred.measure = 'slides_per_100_transitions'
        and average_hundred.estimand = 'average_player'
left join result.estimate as typical_hundred
    on
        typical_hundred.grouping = minute.grouping
        and typical_hundred.group_key = minute.group_key
        and typical_hundred.measure = 'slides_per_100_transitions'
        and typical_hundred.estimand = 'typical_player'
left join result.estimate as standard
    on
        standard.grouping = minute.grouping
        and standard.group_key = minute.group_key
        and standard.measure = 'standardised_per_100_transitions'
        and standard.estimand = 'music_as_recorded'
left join result.estimate as ratio
    on
        ratio.grouping = minute.grouping
        and ratio.group_key = minute.group_key
        and ratio.measure = 'observed_over_expected'
        and ratio.estimand = 'music_as_recorded'
left join summary.rate_per_bar
    on rate_per_bar.grouping = minute.grouping and rate_per_bar.group_key = minute.group_key
where minute.measure = 'slides_per_minute' and minute.estimand = 'music_as_recorded'
