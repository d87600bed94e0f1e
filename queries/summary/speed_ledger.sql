with
carried as (
    select
        side_take.side_id,
        string_agg(take.take_id, ', ' order by side_take.part nulls first, take.take_id) as takes,
        case when count(distinct take.session_id) = 1 then max(take.session_id) end as session_id,
    from base.side_take
    join base.take
        on take.take_id = side_take.take_id
    group by side_take.side_id
)
select
    transfer.transfer_id,
    transfer.side_id,
    carried.takes,
    carried.session_id,
    transfer.turntable_rpm,
    transfer.already_corrected,
    coalesce(speed.state, 'not measured') as state,
    speed.playing_rpm,
    speed.offset_cents,
    speed.offset_se_cents,
    speed.offset_low_cents,
    speed.offset_high_cents,
    speed.playing_rpm * 2 ** ((speed.offset_low_cents - speed.offset_cents) / 1200) as playing_rpm_low,
    speed.playing_rpm * 2 ** ((speed.offset_high_cents - speed.offset_cents) / 1200) as playing_rpm_high,
    case when speed.state <> 'unmeasurable' then speed.reference_pitch_hz end as reference_pitch_hz,
    speed.reference_pitch_low_hz,
    speed.reference_pitch_high_hz,
    speed.key,
    case when speed.estimated_state <> 'unmeasurable' then first_reading.probability end as probability,
    speed.one_speed,
    speed.drift_range_cents,
    speed.drift_se_cents,
    speed.wow_hz,
    speed.wow_cents,
    speed.flutter_hz,
    speed.flutter_cents,
    speed.jump_count,
    speed.jump_s,
    speed.jump_from_s,
    speed.jump_to_s,
    speed.jump_cents,
    speed.jump_least_cents,
    first_reading.reason as evidence,
    rival.playing_rpm as rival_playing_rpm,
    rival.offset_cents as rival_offset_cents,
    rival.reference_pitch_hz as rival_reference_pitch_hz,
    rival.key as rival_key,
    speed.rival_probability,
    speed.estimated_state,
    1200 * log2(speed.estimated_speed_ratio) as estimated_offset_cents,
    speed.decided_by,
    case when speed.decided_by is not null then speed_decision.reason end as decision_reason,
    tuning.reason as measured_on,
    speed.remark,
from base.transfer
left join carried
    on carried.side_id = transfer.side_id
left join base.speed
    on speed.transfer_id = transfer.transfer_id
left join base.tuning
    on tuning.transfer_id = transfer.transfer_id
left join base.speed_alternative as first_reading
    on first_reading.transfer_id = transfer.transfer_id and first_reading.rank = 1
left join base.speed_alternative as rival
    on rival.transfer_id = speed.transfer_id and rival.rank = speed.rival_rank
left join base.speed_decision
    on speed_decision.transfer_id = transfer.transfer_id
