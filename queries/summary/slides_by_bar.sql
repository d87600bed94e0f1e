with
played as (
    select
        work_id,
        bar_index,
        min(bar) as bar,
        count(distinct take_id) as takes,
        count(distinct player_id) as players,
        count(*) as times_played,
        total(slides)::bigint as slides,
    from fact.bar_played
    group by work_id, bar_index
)
select
    played.work_id,
    work.title as work,
    played.bar_index,
    played.bar,
    played.takes,
    played.players,
    played.times_played,
    played.slides,
    rate.rate as slides_per_bar,
    rate.low as slides_per_bar_low,
    rate.high as slides_per_bar_high,
    rate.corrected as slides_per_bar_corrected,
    rate.corrected_low as slides_per_bar_corrected_low,
    rate.corrected_high as slides_per_bar_corrected_high,
    rate.correction,
    rate.judged,
    rate.planted,
    rate.method,
    rate.warning,
from played
left join base.work
    on work.work_id = played.work_id
left join result.estimate as rate
    on rate.grouping = 'bar' and rate.group_key = played.work_id || '/' || played.bar_index
