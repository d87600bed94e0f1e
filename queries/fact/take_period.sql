with
scheme as (
    select distinct scheme
    from base.period
),
end_by_rule as (
    select
        take.take_id,
        min(player.died_latest) filter (where coalesce(performance.role, 'soloist') = 'soloist') as death,
    from base.take
    join base.performance
        on performance.take_id = take.take_id
    join base.player
        on player.player_id = performance.player_id
    group by take.take_id
),
first_sight as (
    select
        side_take.take_id,
        min(side.published_latest) as publication,
        min(transfer.transferred_latest) as transfer,
    from base.side_take
    join base.side
        on side.side_id = side_take.side_id
    left join base.transfer
        on transfer.side_id = side.side_id
    group by side_take.take_id
),
dated as (
    select
        take_dated.take_id,
        take_dated.recorded_earliest as earliest,
        take_dated.recorded_latest as stated_latest,
        least(end_by_rule.death, first_sight.publication, first_sight.transfer) as rule_latest,
        case least(end_by_rule.death, first_sight.publication, first_sight.transfer)
            when end_by_rule.death then 'death of the player'
            when first_sight.publication then 'publication'
            when first_sight.transfer then 'transfer'
        end as rule,
    from stage.take_dated
    left join end_by_rule
        on end_by_rule.take_id = take_dated.take_id
    left join first_sight
        on first_sight.take_id = take_dated.take_id
),
bounded as (
    select
        take_id,
        earliest,
        coalesce(stated_latest, rule_latest) as latest,
        case when stated_latest is null then rule end as closed_by,
    from dated
    where earliest is not null and coalesce(stated_latest, rule_latest) >= earliest
),
overlap as (
    select
        bounded.take_id,
        period.scheme,
        period.period_id,
        (
            least(bounded.latest, coalesce(period.span_latest, date '9999-12-31'))
            - greatest(bounded.earliest, coalesce(period.span_earliest, date '0001-01-01'))
            + 1
        ) / (bounded.latest - bounded.earliest + 1) as share,
        bounded.closed_by,
    from bounded
    join base.period
        on
            coalesce(period.span_earliest, date '0001-01-01') <= bounded.latest
            and coalesce(period.span_latest, date '9999-12-31') >= bounded.earliest
),
inside as (
    select
        take_id,
        scheme,
        total(share) as share,
    from overlap
    group by take_id, scheme
)
select
    take_id,
    scheme,
    period_id,
    share,
    share > 1 - 1e-9 as is_certain,
    closed_by,
from overlap
union all
select
    bounded.take_id,
    scheme.scheme,
    'outside' as period_id,
    1 - coalesce(inside.share, 0) as share,
    coalesce(inside.share, 0) < 1e-9 as is_certain,
    bounded.closed_by,
from bounded
cross join scheme
left join inside
    on inside.take_id = bounded.take_id and inside.scheme = scheme.scheme
where 1 - coalesce(inside.share, 0) > 1e-9
union all
select
    take.take_id,
    scheme.scheme,
    'undated' as period_id,
    1 as share,
    true as is_certain,
    null as closed_by,
from base.take
cross join scheme
where take.take_id not in (select take_id from bounded)
