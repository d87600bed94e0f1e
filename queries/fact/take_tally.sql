with
counted_span as (
    select
        analysed_take.take_id,
        analysed_take.transfer_id,
        coalesce(analysed_take.speed_state, '') as speed_state,
        solo_span.player_id,
        solo_span.transfer_start_s,
        solo_span.transfer_end_s,
        (solo_span.end_s - solo_span.start_s) / 60 as minutes,
    from stage.analysed_take
    join base.solo_span
        on solo_span.transfer_id = analysed_take.transfer_id and solo_span.take_id = analysed_take.take_id
    where solo_span.counted
),
exposure as (
    select
        take_id,
        player_id,
        count(distinct transfer_id) as transfers,
        sum(minutes) as minutes,
        coalesce(sum(minutes) filter (where speed_state <> 'unmeasurable'), 0) as timed_minutes,
        bool_or(speed_state = 'ambiguous') as has_ambiguous_speed,
    from counted_span
    group by take_id, player_id
),
chance as (
    select
        counted_span.take_id,
        counted_span.player_id,
        count(*) as transitions,
        count(*) filter (where transition.slurred_probability > 0.5) as slurred_transitions,
    from counted_span
    join base.transition
        on transition.transfer_id = counted_span.transfer_id and transition.take_id = counted_span.take_id
    join base.note
        on
            note.note_id = transition.to_note_id
            and note.transfer_start_s >= counted_span.transfer_start_s
            and note.transfer_start_s < counted_span.transfer_end_s
    where transition.exposure
    group by counted_span.take_id, counted_span.player_id
),
owned as (
    select
        counted_span.take_id,
        counted_span.player_id,
        counted_span.speed_state,
        judged_slide.origin,
        judged_slide.is_slide,
        judged_slide.verdict,
        judged_slide.kind,
        judged_slide.interval_cents,
        coalesce(transition.slurred_probability > 0.5, false) as is_slurred,
    from counted_span
    join stage.judged_slide
        on
            judged_slide.transfer_id = counted_span.transfer_id
            and (judged_slide.transfer_audible_start_s + judged_slide.transfer_audible_end_s) / 2
            >= counted_span.transfer_start_s
            and (judged_slide.transfer_audible_start_s + judged_slide.transfer_audible_end_s) / 2
            < counted_span.transfer_end_s
    left join base.transition
        on
            transition.from_note_id = judged_slide.from_note_id
            and transition.to_note_id = judged_slide.to_note_id
            and transition.exposure
),
sliding as (
    select
        take_id,
        player_id,
        count(*) filter (where is_slide) as slides,
        count(*) filter (where is_slide and speed_state <> 'unmeasurable') as timed_slides,
        count(*) filter (where is_slide and is_slurred) as slurred_slides,
        count(*) filter (where origin = 'found') as found_slides,
        count(*) filter (where verdict is not null) as reviewed_slides,
        count(*) filter (where verdict = 'no_slide') as rejected_slides,
        count(*) filter (where verdict = 'cannot_tell') as undecided_slides,
        count(*) filter (where origin = 'added') as added_slides,
        count(*) filter (where is_slide and interval_cents > 0) as rising_slides,
        count(*) filter (where is_slide and kind = 'same_finger') as same_finger,
        count(*) filter (where is_slide and kind = 'departing_finger') as departing_finger,
        count(*) filter (where is_slide and kind = 'arriving_finger') as arriving_finger,
        count(*) filter (where is_slide and kind = 'two_finger') as two_finger,
        count(*) filter (where is_slide and kind = 'into_note') as into_note,
        count(*) filter (where is_slide and kind = 'cannot_tell') as cannot_tell,
    from owned
    group by take_id, player_id
),
soloist as (
    select
        take_id,
        case when count(distinct player_id) = 1 then min(player_id) end as player_id,
    from base.performance
    where
        coalesce(role, 'soloist') = 'soloist'
        and coalesce(instrument, 'violin') in ('violin', 'viola', 'cello')
    group by take_id
),
attribution as (
    select
        take_id,
        player_id,
        ['possible', 'probable', 'certain'][
            max(list_position(['possible', 'probable', 'certain'], certainty))
        ] as certainty,
        min(instrument) as instrument,
    from base.performance
    group by take_id, player_id
),
verdict_on_take as (
    select
        take_id,
        string_agg(distinct reason, '; ' order by reason) as reason,
        count(transfer_id) as transfers,
    from stage.analysed_take
    group by take_id
),
listed as (
    select
        take_id,
        player_id,
        'judged' as state,
    from exposure
    union all
    select
        take.take_id,
        soloist.player_id,
        'not_judged' as state,
    from base.take
    left join soloist
        on soloist.take_id = take.take_id
    where take.take_id not in (select take_id from exposure)
)
select
    listed.take_id,
    listed.player_id,
    coalesce(take.session_id, 'take:' || take.take_id) as session_key,
    take.work_id,
    attribution.instrument,
    attribution.certainty,
    coalesce(take.recorded, session.recorded) as recorded,
    if(take.recorded is null, session.recorded_earliest, take.recorded_earliest) as recorded_earliest,
    if(take.recorded is null, session.recorded_latest, take.recorded_latest) as recorded_latest,
    coalesce(take.process, 'unknown') as process,
    coalesce(take.accompaniment, 'unknown') as accompaniment,
    listed.state,
    case when listed.state = 'not_judged' then verdict_on_take.reason end as reason,
    1::double as weight,
    if(listed.state = 'judged', exposure.transfers, verdict_on_take.transfers) as transfers,
    exposure.minutes,
    exposure.timed_minutes,
    exposure.has_ambiguous_speed,
    if(listed.state = 'judged', coalesce(chance.transitions, 0), null) as transitions,
    if(listed.state = 'judged', coalesce(chance.slurred_transitions, 0), null) as slurred_transitions,
    if(listed.state = 'judged', coalesce(sliding.slides, 0), null) as slides,
    if(listed.state = 'judged', coalesce(sliding.timed_slides, 0), null) as timed_slides,
    if(listed.state = 'judged', coalesce(sliding.slurred_slides, 0), null) as slurred_slides,
    if(listed.state = 'judged', coalesce(sliding.found_slides, 0), null) as found_slides,
    if(listed.state = 'judged', coalesce(sliding.reviewed_slides, 0), null) as reviewed_slides,
    if(listed.state = 'judged', coalesce(sliding.rejected_slides, 0), null) as rejected_slides,
    if(listed.state = 'judged', coalesce(sliding.undecided_slides, 0), null) as undecided_slides,
    if(listed.state = 'judged', coalesce(sliding.added_slides, 0), null) as added_slides,
    if(listed.state = 'judged', coalesce(sliding.rising_slides, 0), null) as rising_slides,
    if(listed.state = 'judged', coalesce(sliding.same_finger, 0), null) as same_finger,
    if(listed.state = 'judged', coalesce(sliding.departing_finger, 0), null) as departing_finger,
    if(listed.state = 'judged', coalesce(sliding.arriving_finger, 0), null) as arriving_finger,
    if(listed.state = 'judged', coalesce(sliding.two_finger, 0), null) as two_finger,
    if(listed.state = 'judged', coalesce(sliding.into_note, 0), null) as into_note,
    if(listed.state = 'judged', coalesce(sliding.cannot_tell, 0), null) as cannot_tell,
    coalesce(sliding.timed_slides, 0) / nullif(exposure.timed_minutes, 0) as slides_per_minute,
    100 * coalesce(sliding.slides, 0) / nullif(chance.transitions, 0) as slides_per_100_transitions,
from listed
join base.take
    on take.take_id = listed.take_id
left join base.session
    on session.session_id = take.session_id
left join exposure
    on exposure.take_id = listed.take_id and exposure.player_id is not distinct from listed.player_id
left join chance
    on chance.take_id = listed.take_id and chance.player_id is not distinct from listed.player_id
left join sliding
    on sliding.take_id = listed.take_id and sliding.player_id is not distinct from listed.player_id
left join attribution
    on attribution.take_id = listed.take_id and attribution.player_id = listed.player_id
left join verdict_on_take
    on verdict_on_take.take_id = listed.take_id
