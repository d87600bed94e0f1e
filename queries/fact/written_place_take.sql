with
player as (
    select
        transfer_id,
        take_id,
        case when count(distinct player_id) = 1 then min(player_id) end as player_id,
    from stage.counted_span
    group by transfer_id, take_id
),
passed as (
    select
        fit.transfer_id,
        fit.take_id,
        written_place.written_place_id,
        run.run,
        run.is_doubtful,
        row_number() over (
            partition by fit.transfer_id, fit.take_id, written_place.written_place_id order by run.run
        ) as time_through,
    from stage.laid_take as fit
    join fact.written_place
        on written_place.work_id = fit.work_id
    join stage.laid_run as run
        on
            run.transfer_id = fit.transfer_id
            and run.take_id = fit.take_id
            and written_place.from_event >= run.first_event
            and written_place.to_event <= run.last_event
),
-- The last note of an event, from which one leaves it, and the first, by which one comes to it.
event_note as (
    select
        transfer_id,
        take_id,
        run,
        event,
        max_by(laid_note, number) as last_note,
        min_by(laid_note, number) as first_note,
    from stage.laid_note
    where run is not null
    group by transfer_id, take_id, run, event
),
between_notes as (
    select
        fit.transfer_id,
        fit.take_id,
        player.player_id as only_player_id,
        written_place.written_place_id,
        written_place.work_id,
        written_place.from_event,
        written_place.to_event,
        coalesce(passed.time_through, 1) as time_through,
        passed.run,
        coalesce(passed.is_doubtful, false) as is_doubtful,
        one.last_note as one,
        other.first_note as other,
        one.last_note.number as from_number,
        other.first_note.number as to_number,
        (written_place.is_chord and abs(one.last_note.midi - written_place.from_midi) > 0.7)
        or (written_place.to_is_chord and abs(other.first_note.midi - written_place.to_midi) > 0.7)
            as is_other_voice,
    from stage.laid_take as fit
    join fact.written_place
        on written_place.work_id = fit.work_id and written_place.is_chance
    left join player
        on player.transfer_id = fit.transfer_id and player.take_id = fit.take_id
    left join passed
        on
            passed.transfer_id = fit.transfer_id
            and passed.take_id = fit.take_id
            and passed.written_place_id = written_place.written_place_id
    left join event_note as one
        on
            one.transfer_id = fit.transfer_id
            and one.take_id = fit.take_id
            and one.run = passed.run
            and one.event = written_place.from_event
    left join event_note as other
        on
            other.transfer_id = fit.transfer_id
            and other.take_id = fit.take_id
            and other.run = passed.run
            and other.event = written_place.to_event
),
-- A slide belongs to the note that it leads to; one that a listener added, to the first note whose middle is later.
slide as (
    select
        judged_slide.*,
        coalesce(led.number, later.number) as number,
    from stage.judged_slide
    left join stage.laid_note as led
        on led.note_id = judged_slide.to_note_id
    asof left join stage.laid_note as later
        on
            later.transfer_id = judged_slide.transfer_id
            and later.transfer_middle_s > judged_slide.transfer_middle_s
),
-- Places whose two notes were found lie apart in time, so each note between belongs to the next that ends there.
told as (
    select
        transfer_id,
        take_id,
        written_place_id,
        time_through,
        from_number,
        to_number,
    from between_notes
    where from_number < to_number
),
slid as (
    select
        told.transfer_id,
        told.take_id,
        told.written_place_id,
        told.time_through,
        max_by(
            slide,
            (slide.is_slide and (slide.from_note_id is not null or slide.origin = 'added'), slide.confidence, slide.slide_id)
        ) as slide,
    from slide
    join stage.laid_note as sounded
        on sounded.transfer_id = slide.transfer_id and sounded.number = slide.number
    asof join told
        on told.transfer_id = slide.transfer_id and told.take_id = sounded.take_id and told.to_number >= slide.number
    where slide.number > told.from_number
    group by told.transfer_id, told.take_id, told.written_place_id, told.time_through
),
change as (
    select
        told.transfer_id,
        told.take_id,
        told.written_place_id,
        told.time_through,
        bool_or(transition.exposure) as is_exposed,
        max(transition.slide_score) as slide_score,
    from base.transition
    join stage.laid_note as sounded
        on sounded.note_id = transition.to_note_id
    asof join told
        on told.transfer_id = transition.transfer_id and told.take_id = sounded.take_id
            and told.to_number >= sounded.number
    where sounded.number > told.from_number
    group by told.transfer_id, told.take_id, told.written_place_id, told.time_through
),
hand as (
    select
        note_id,
        string,
        finger,
        probability,
    from base.note_hand
    where speed_rank = 1 and rank = 1
),
judged as (
    select
        between_notes.*,
        counted_span.player_id,
        slid.slide,
        coalesce(slid.slide.from_note_id is not null or slid.slide.origin = 'added', false) as leads,
        least(between_notes.one.probability, between_notes.other.probability) as p_place,
        case
            when slid.slide.verdict in ('slide', 'no_slide') then slid.slide.is_slide::double
            else greatest(
                coalesce(slid.slide.confidence, 0), coalesce(1 / (1 + exp(-change.slide_score)), 0)
            )
        end as p_slid,
        case
            when between_notes.run is null then 'passed_by'
            when between_notes.is_doubtful then 'repeat_unsure'
            when
                (between_notes.from_number is null and from_heard.event is null)
                or (between_notes.to_number is null and to_heard.event is null)
                then 'note_missing'
            when between_notes.from_number is null or between_notes.to_number is null then 'line_only'
            when counted_span.transfer_id is null then 'not_counted'
            when least(between_notes.one.probability, between_notes.other.probability) < 0.9 then 'place_unsure'
            when between_notes.is_other_voice then 'other_voice'
            when slid.slide.is_slide and leads then null
            when slid.slide.verdict = 'cannot_tell' then 'slide_unsure'
            when not coalesce(change.is_exposed, false) then 'rest'
            -- The least confidence of a slide that is written is 0.7; as far from certain on the other side is no slide.
            when slid.slide.verdict is null and p_slid > 0.3 then 'slide_unsure'
        end as reason,
    from between_notes
    left join stage.laid_line as from_heard
        on
            from_heard.transfer_id = between_notes.transfer_id
            and from_heard.take_id = between_notes.take_id
            and from_heard.run = between_notes.run
            and from_heard.event = between_notes.from_event
    left join stage.laid_line as to_heard
        on
            to_heard.transfer_id = between_notes.transfer_id
            and to_heard.take_id = between_notes.take_id
            and to_heard.run = between_notes.run
            and to_heard.event = between_notes.to_event
    left join stage.counted_span
        on
            counted_span.transfer_id = between_notes.transfer_id
            and counted_span.take_id = between_notes.take_id
            and between_notes.other.transfer_start_s >= counted_span.transfer_start_s
            and between_notes.other.transfer_start_s < counted_span.transfer_end_s
    left join slid
        on
            slid.transfer_id = between_notes.transfer_id
            and slid.take_id = between_notes.take_id
            and slid.written_place_id = between_notes.written_place_id
            and slid.time_through = between_notes.time_through
    left join change
        on
            change.transfer_id = between_notes.transfer_id
            and change.take_id = between_notes.take_id
            and change.written_place_id = between_notes.written_place_id
            and change.time_through = between_notes.time_through
)
select
    judged.written_place_id,
    judged.transfer_id,
    judged.take_id,
    judged.time_through,
    judged.work_id,
    coalesce(judged.player_id, judged.only_player_id) as player_id,
    case
        when judged.reason in ('passed_by', 'not_counted') then 'not_reached'
        when judged.reason is not null then 'cannot_tell'
        when judged.slide.is_slide and judged.leads then 'slid'
        else 'not_slid'
    end as outcome,
    judged.reason,
    if(outcome in ('slid', 'not_slid'), judged.p_slid, null) as p_slid,
    judged.p_place,
    if(outcome in ('slid', 'not_slid'), judged.p_place, 0) as weight,
    coalesce(judged.slide.is_slide and not judged.leads, false) as slid_into,
    judged.one.note_id as from_note_id,
    judged.other.note_id as to_note_id,
    if(outcome = 'slid', judged.slide.slide_id, null) as slide_id,
    if(outcome = 'slid', judged.slide.kind, null) as kind,
    if(outcome = 'slid', judged.slide.duration_ms, null) as duration_ms,
    if(outcome = 'slid', judged.slide.interval_cents, null) as interval_cents,
    if(outcome = 'slid', judged.slide.gradient_cents_per_s, null) as gradient_cents_per_s,
    judged.slide.verdict,
    from_hand.string as from_string,
    from_hand.finger as from_finger,
    to_hand.string as to_string,
    to_hand.finger as to_finger,
    from_hand.probability * to_hand.probability as p_hand,
from judged
left join hand as from_hand
    on from_hand.note_id = judged.one.note_id
left join hand as to_hand
    on to_hand.note_id = judged.other.note_id
