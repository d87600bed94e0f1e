-- Which transfer stands for a take: the catalogue's choice, else a judged one, the least copied, the least treated.
with
span as (
    select
        transfer_id,
        take_id,
        bool_or(counted) as is_judged,
        string_agg(distinct reason, '; ' order by reason) as reason,
    from base.solo_span
    group by transfer_id, take_id
),
last_word as (
    select
        transfer_id,
        arg_min(step || ': ' || message, list_position(['intake', 'follow', 'measure', 'settle', 'detect'], step))
            as reason,
    from base.run
    where
        outcome = 'failed'
        or (outcome = 'cannot_tell' and step in ('follow', 'measure', 'detect'))
    group by transfer_id
),
candidate as (
    select
        side_take.take_id,
        coalesce(side_take.part, 0) as part,
        transfer.transfer_id,
        coalesce(transfer.stands_for_take, false) as is_chosen,
        coalesce(own.is_judged, false) as is_judged,
        coalesce(own.reason, whole.reason, last_word.reason, 'not measured yet') as reason,
        coalesce(
            list_position(['original', 'unknown', 'dub', 'tape_copy', 'remaster'], transfer.generation), 2
        ) as copying,
        coalesce(list_position(['no', 'unknown', 'yes'], transfer.already_corrected), 2) as treatment,
    from base.side_take
    join base.transfer
        on transfer.side_id = side_take.side_id
    left join span as own
        on own.transfer_id = transfer.transfer_id and own.take_id = side_take.take_id
    left join span as whole
        on whole.transfer_id = transfer.transfer_id and whole.take_id is null
    left join last_word
        on last_word.transfer_id = transfer.transfer_id
    where coalesce(transfer.stands_for_take, true)
),
ranked as (
    select
        take_id,
        part,
        transfer_id,
        is_chosen,
        is_judged,
        reason,
        count(*) over (partition by take_id, part) as candidates,
        row_number() over (
            partition by take_id, part
            order by is_chosen desc, is_judged desc, copying, treatment, transfer_id
        ) as place,
        bool_or(is_judged and part = 0) over (partition by take_id) as whole_is_judged,
        bool_or(is_judged and part > 0) over (partition by take_id) as a_part_is_judged,
        bool_or(part = 0) over (partition by take_id) as has_whole,
    from candidate
),
standing as (
    select
        take_id,
        part,
        transfer_id,
        is_chosen,
        is_judged,
        reason,
        candidates,
    from ranked
    where
        place = 1
        and (
            case
                when part = 0 then whole_is_judged or not a_part_is_judged
                else not whole_is_judged and (a_part_is_judged or not has_whole)
            end
        )
)
select
    take.take_id,
    coalesce(standing.part, 0) as part,
    standing.transfer_id,
    coalesce(standing.candidates, 0) as candidates,
    case
        when standing.transfer_id is null then 'none'
        when standing.is_chosen then 'catalogue'
        when standing.candidates = 1 then 'only_transfer'
        else 'rule'
    end as chosen_by,
    case when standing.is_judged then 'judged' else 'not_judged' end as state,
    case
        when standing.transfer_id is null then 'no transfer stands for it'
        when not standing.is_judged then standing.reason
    end as reason,
    speed.state as speed_state,
    speed.speed_ratio,
from base.take
left join standing
    on standing.take_id = take.take_id
left join base.speed
    on speed.transfer_id = standing.transfer_id
