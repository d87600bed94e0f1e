with
attached as (
    select
        transfer_id,
        case
            when overlap > 0 then slide_id
            when says_where
                then transfer_id || '-a' || round(1000 * transfer_start_s)::bigint
        end as slide_id,
        overlap is null as is_new,
        transfer_start_s,
        transfer_end_s,
        listener,
        verdict,
        kind,
        judged_on,
        sample_id,
    from stage.verdict
    where is_of_current_sound
),
last_verdict as (
    select
        transfer_id,
        slide_id,
        is_new,
        transfer_start_s,
        transfer_end_s,
        verdict,
        kind,
    from attached
    where slide_id is not null
    qualify
        row_number() over (
            partition by slide_id, listener order by judged_on desc, sample_id desc, transfer_start_s, verdict
        ) = 1
),
vote as (
    select
        slide_id,
        any_value(transfer_id) as transfer_id,
        bool_or(is_new) as is_new,
        min(transfer_start_s) as transfer_start_s,
        max(transfer_end_s) as transfer_end_s,
        count(*) as listeners,
        count(*) filter (where verdict = 'slide') as for_slide,
        count(*) filter (where verdict = 'no_slide') as against_slide,
        count(*) filter (where verdict = 'cannot_tell') as undecided,
    from last_verdict
    group by slide_id
),
kind_vote as (
    select
        slide_id,
        kind,
        count(*) as listeners,
    from last_verdict
    where verdict = 'slide' and kind is not null
    group by slide_id, kind
),
heard_kind as (
    select
        slide_id,
        case
            when count(*) filter (where is_most) = 1 then max(kind) filter (where is_most)
            else 'cannot_tell'
        end as kind,
    from (
        select
            slide_id,
            kind,
            listeners = max(listeners) over (partition by slide_id) as is_most,
        from kind_vote
    ) as counted
    group by slide_id
),
verdict as (
    select
        vote.slide_id,
        vote.transfer_id,
        vote.is_new,
        vote.transfer_start_s,
        vote.transfer_end_s,
        vote.listeners,
        case
            when vote.for_slide > greatest(vote.against_slide, vote.undecided) then 'slide'
            when vote.against_slide > greatest(vote.for_slide, vote.undecided) then 'no_slide'
            else 'cannot_tell'
        end as verdict,
        heard_kind.kind,
    from vote
    left join heard_kind
        on heard_kind.slide_id = vote.slide_id
)
select
    slide.slide_id,
    slide.transfer_id,
    'found' as origin,
    slide.transfer_audible_start_s,
    slide.transfer_audible_end_s,
    (slide.transfer_audible_start_s + slide.transfer_audible_end_s) / 2 as transfer_middle_s,
    slide.from_note_id,
    slide.to_note_id,
    slide.interval_cents,
    slide.duration_ms,
    slide.gradient_cents_per_s,
    slide.confidence,
    slide.kind as found_kind,
    verdict.kind as heard_kind,
    coalesce(verdict.kind, slide.kind) as kind,
    verdict.verdict,
    coalesce(verdict.listeners, 0) as listeners,
    -- Listeners who disagree or cannot tell take nothing away: what was found stands.
    case verdict.verdict
        when 'slide' then true
        when 'no_slide' then false
        else apart_by_chord.from_note_id is null
    end as is_slide,
from base.slide
left join verdict
    on verdict.slide_id = slide.slide_id
left join stage.apart_by_chord
    on apart_by_chord.from_note_id = slide.from_note_id and apart_by_chord.to_note_id = slide.to_note_id
union all
select
    verdict.slide_id,
    verdict.transfer_id,
    'added' as origin,
    verdict.transfer_start_s as transfer_audible_start_s,
    verdict.transfer_end_s as transfer_audible_end_s,
    (verdict.transfer_start_s + verdict.transfer_end_s) / 2 as transfer_middle_s,
    null as from_note_id,
    null as to_note_id,
    null as interval_cents,
    null as duration_ms,
    null as gradient_cents_per_s,
    null as confidence,
    null as found_kind,
    verdict.kind as heard_kind,
    coalesce(verdict.kind, 'cannot_tell') as kind,
    verdict.verdict,
    verdict.listeners,
    true as is_slide,
from verdict
where verdict.is_new and verdict.verdict = 'slide'
