with
exposure as (
    select
        take_id,
        player_id,
        count(distinct transfer_id) as transfers,
        total(minutes) as minutes,
        total(if(speed_state is distinct from 'unmeasurable', minutes, 0)) as timed_minutes,
        coalesce(bool_or(speed_state = 'ambiguous'), false) as has_ambiguous_speed,
    from stage.counted_span
    group by take_id, player_id
),
chance as (
    select
        take_id,
        player_id,
        count(*) as transitions,
        count(*) filter (where is_slurred) as slurred_transitions,
        count(*) filter (where has_find) as slid_transitions,
        count(*) filter (where has_find and is_slurred) as slurred_slid_transitions,
    from fact.transition
    group by take_id, player_id
),
sliding as (
    select
        take_id,
        player_id,
        count(*) filter (where is_slide) as slides,
        count(*) filter (where is_slide and is_slurred) as slurred_slides,
        count(*) filter (where origin = 'found') as found_slides,
        count(*) filter (where origin = 'found' and speed_state is distinct from 'unmeasurable') as timed_found_slides,
        count(*) filter (where verdict is not null) as reviewed_slides,
        count(*) filter (where verdict = 'no_slide') as rejected_slides,
        count(*) filter (where verdict = 'cannot_tell') as undecided_slides,
        count(*) filter (where origin = 'added') as added_slides,
        count(*) filter (where is_slide and direction = 'rising') as rising_slides,
        count(*) filter (where is_slide and kind = 'same_finger') as same_finger,
        count(*) filter (where is_slide and kind = 'departing_finger') as departing_finger,
        count(*) filter (where is_slide and kind = 'arriving_finger') as arriving_finger,
        count(*) filter (where is_slide and kind = 'two_finger') as two_finger,
        count(*) filter (where is_slide and kind = 'into_note') as into_note,
        count(*) filter (where is_slide and kind = 'cannot_tell') as cannot_tell,
    from stage.owned_slide
    group by take_id, player_id
),
written as (
    select
        take_id,
        player_id,
        count(*) as bars,
        total(slides)::bigint as bar_slides,
    from fact.bar_played
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
disc as (
    select
        side_take.take_id,
        min(side.label) as label,
    from base.side_take
    join base.side
        on side.side_id = side_take.side_id
    group by side_take.take_id
),
attribution as (
    select
        performance.take_id,
        performance.player_id,
        arg_max(performance.certainty, certainty.rank) as certainty,
        min(performance.instrument) as instrument,
    from base.performance
    left join stage.certainty
        on certainty.certainty = performance.certainty
    group by performance.take_id, performance.player_id
),
standing as (
    select
        take_id,
        string_agg(distinct reason, '; ' order by reason) as reason,
        count(transfer_id) as transfers,
    from stage.analysed_take
    group by take_id
),
judged as (
    select
        exposure.take_id,
        exposure.player_id,
        exposure.transfers,
        exposure.minutes,
        exposure.timed_minutes,
        exposure.has_ambiguous_speed,
        coalesce(chance.transitions, 0) as transitions,
        coalesce(chance.slurred_transitions, 0) as slurred_transitions,
        coalesce(chance.slid_transitions, 0) as slid_transitions,
        coalesce(chance.slurred_slid_transitions, 0) as slurred_slid_transitions,
        coalesce(sliding.slides, 0) as slides,
        coalesce(sliding.slurred_slides, 0) as slurred_slides,
        coalesce(sliding.found_slides, 0) as found_slides,
        coalesce(sliding.timed_found_slides, 0) as timed_found_slides,
        coalesce(sliding.reviewed_slides, 0) as reviewed_slides,
        coalesce(sliding.rejected_slides, 0) as rejected_slides,
        coalesce(sliding.undecided_slides, 0) as undecided_slides,
        coalesce(sliding.added_slides, 0) as added_slides,
        coalesce(sliding.rising_slides, 0) as rising_slides,
        coalesce(sliding.same_finger, 0) as same_finger,
        coalesce(sliding.departing_finger, 0) as departing_finger,
        coalesce(sliding.arriving_finger, 0) as arriving_finger,
        coalesce(sliding.two_finger, 0) as two_finger,
        coalesce(sliding.into_note, 0) as into_note,
        coalesce(sliding.cannot_tell, 0) as cannot_tell,
        coalesce(written.bars, 0) as bars,
        coalesce(written.bar_slides, 0) as bar_slides,
    from exposure
    left join chance
        on chance.take_id = exposure.take_id and chance.player_id is not distinct from exposure.player_id
    left join sliding
        on sliding.take_id = exposure.take_id and sliding.player_id is not distinct from exposure.player_id
    left join written
        on written.take_id = exposure.take_id and written.player_id is not distinct from exposure.player_id
),
listed as (
    select
        'judged' as state,
        judged.*,
    from judged
    -- What this part does not name stays empty: a take that was not judged has no counts, not zero ones.
    union all by name
    select
        'not_judged' as state,
        take.take_id,
        soloist.player_id,
        standing.reason,
        standing.transfers,
    from base.take
    left join soloist
        on soloist.take_id = take.take_id
    left join standing
        on standing.take_id = take.take_id
    where take.take_id not in (select take_id from exposure)
)
select
    listed.take_id,
    listed.player_id,
    -- What is known of the day, from most to least: takes that may be of one session count as one, which is too wide
    -- rather than too narrow.
    case
        when take.session_id is not null then 'catalogue'
        when listed.player_id is null then 'take'
        when take_dated.recorded_earliest = take_dated.recorded_latest then 'day'
        when year(take_dated.recorded_earliest) = year(take_dated.recorded_latest) then 'year'
        else 'label'
    end as session_basis,
    case session_basis
        when 'catalogue' then take.session_id
        when 'take' then 'take:' || take.take_id
        else
            'assumed:' || listed.player_id || '/'
            || case session_basis
                when 'day' then take_dated.recorded_earliest::varchar
                when 'year' then year(take_dated.recorded_earliest)::varchar
                else 'unknown day'
            end
            || '/' || coalesce(disc.label, 'no label')
    end as session_key,
    coalesce(listed.player_id, session_key) as player_key,
    take.work_id,
    attribution.instrument,
    attribution.certainty,
    take_dated.recorded,
    take_dated.recorded_earliest,
    take_dated.recorded_latest,
    coalesce(take.process, 'unknown') as process,
    coalesce(take.accompaniment, 'unknown') as accompaniment,
    listed.state,
    listed.reason,
    1::double as weight,
    listed.* exclude (take_id, player_id, state, reason),
    listed.timed_found_slides / nullif(listed.timed_minutes, 0) as slides_per_minute,
    100 * listed.slid_transitions / nullif(listed.transitions, 0) as slides_per_100_transitions,
from listed
join base.take
    on take.take_id = listed.take_id
join stage.take_dated
    on take_dated.take_id = listed.take_id
left join disc
    on disc.take_id = listed.take_id
left join attribution
    on attribution.take_id = listed.take_id and attribution.player_id = listed.player_id
