select
    music.grouping,
    music.group_key,
    music.rate as slides_per_bar,
    music.low as slides_per_bar_low,
    music.high as slides_per_bar_high,
    music.corrected as slides_per_bar_corrected,
    music.corrected_low as slides_per_bar_corrected_low,
    music.corrected_high as slides_per_bar_corrected_high,
    average.rate as average_player_per_bar,
    average.low as average_player_per_bar_low,
    average.high as average_player_per_bar_high,
    average.corrected as average_player_per_bar_corrected,
    average.corrected_low as average_player_per_bar_corrected_low,
    average.corrected_high as average_player_per_bar_corrected_high,
    typical.rate as typical_player_per_bar,
    typical.low as typical_player_per_bar_low,
    typical.high as typical_player_per_bar_high,
    typical.corrected as typical_player_per_bar_corrected,
    typical.corrected_low as typical_player_per_bar_corrected_low,
    typical.corrected_high as typical_player_per_bar_corrected_high,
    music.warning as slides_per_bar_warning,
from result.estimate as music
left join result.estimate as average
    on
        average.grouping = music.grouping
        and average.group_key = music.group_key
        and average.measure = music.measure
        and average.estimand = 'average_player'
left join result.estimate as typical
    on
        typical.grouping = music.grouping
        and typical.group_key = music.group_key
        and typical.measure = music.measure
        and typical.estimand = 'typical_player'
where music.measure = 'slides_per_bar' and music.estimand = 'music_as_recorded'
