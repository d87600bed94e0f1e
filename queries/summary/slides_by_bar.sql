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
    music.correction,
    music.judged,
    music.planted,
    music.method,
    rate_per_bar.* exclude (grouping, group_key),
from played
left join base.work
    on work.work_id = played.work_id
left join summary.rate_per_bar
    on rate_per_bar.grouping = 'bar' and rate_per_bar.group_key = played.work_id || '/' || played.bar_index
left join result.estimate as music
    on
        music.grouping = 'bar'
        and music.group_key = rate_per_bar.group_key
        and music.estimand = 'music_as_recorded'
