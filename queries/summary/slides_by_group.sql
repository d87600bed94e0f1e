with
-- Why a group may have takes and no rate: nothing of them was counted. Takes that were are left out first, as most are.
unheard as (
    select
        member.grouping,
        member.group_key,
        'no solo counted: '
        || case
            when count(distinct take.reason) > 1 then 'the reasons stand in slides_by_take'
            else coalesce(min(take.reason), 'no transfer of it has been looked at')
        end as why,
    from tally.take_in_group as member
    join fact.take_tally as take
        on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
    where take.state = 'not_judged'
    group by member.grouping, member.group_key
)
select
    takes.*,
    rate.* exclude (grouping, group_key) replace (coalesce(unheard.why, rate.warning) as warning),
    quartile.* exclude (grouping, group_key),
from tally.takes_by_group as takes
left join summary.rate
    on rate.grouping = takes.grouping and rate.group_key = takes.group_key
left join unheard
    on
        unheard.grouping = takes.grouping
        and unheard.group_key = takes.group_key
        and takes.takes_not_judged = takes.takes
left join result.quartile
    on quartile.grouping = takes.grouping and quartile.group_key = takes.group_key
