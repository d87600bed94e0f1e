with
heard as (
    select
        analysed_take.take_id,
        total(melody.sure_share) / count(melody.sure_share) as sure_share,
    from stage.analysed_take
    join base.melody
        on melody.transfer_id = analysed_take.transfer_id
    group by analysed_take.take_id
),
middle as (
    select quantile_cont(sure_share, 0.5) as sure_share,
    from heard
)
select
    take.take_id,
    coalesce(take.process, 'unknown') as process,
    coalesce(take.accompaniment, 'unknown') as accompaniment,
    case
        when heard.sure_share is null then 'unknown'
        when heard.sure_share >= middle.sure_share then 'clear'
        else 'noisy'
    end as noise,
from base.take
cross join middle
left join heard
    on heard.take_id = take.take_id
