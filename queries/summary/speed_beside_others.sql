with
settled as (
    select
        speed.transfer_id,
        transfer.side_id,
        1200 * log2(speed.playing_rpm) as playing_cents,
        speed.offset_cents,
        speed.offset_se_cents,
        1200 * log2(speed.reference_pitch_hz / 440) as reference_cents,
        -- the speed at the first and the last steady note
        1200 * log2(speed.playing_rpm) + speed.first_cents - speed.offset_cents as first_cents,
        speed.first_se_cents,
        1200 * log2(speed.playing_rpm) + speed.last_cents - speed.offset_cents as last_cents,
        speed.last_se_cents,
        count(*) over (partition by transfer.side_id) as transfers,
    from base.speed
    join base.transfer
        on transfer.transfer_id = speed.transfer_id
    where speed.state <> 'unmeasurable'
),
-- Transfers of one side hold the same performance: how they lie to each other is what their curves say, whatever A4 is
-- taken to be, and by how many semitones their notes fit best.
curve as (
    select
        settled.transfer_id,
        settled.side_id,
        tuning.sharp_cents + settled.offset_cents as corrected_cents,
        tuning.sharp_se_cents,
        unnest(tuning.note_semitone) as semitone,
    from settled
    join base.tuning
        on tuning.transfer_id = settled.transfer_id
    where settled.transfers > 1 and tuning.measured
),
sounded as (
    select
        transfer_id,
        side_id,
        corrected_cents,
        sharp_se_cents,
        semitone,
        count(*) as notes,
    from curve
    group by all
),
laid as (
    select
        own.transfer_id,
        other.transfer_id as other_id,
        own.corrected_cents - other.corrected_cents + 100 * (own.semitone - other.semitone) as difference,
        sqrt(own.sharp_se_cents ** 2 + other.sharp_se_cents ** 2) as difference_se,
        sum(own.notes * other.notes) as fit,
    from sounded as own
    join sounded as other
        on other.side_id = own.side_id and other.transfer_id <> own.transfer_id
    group by all
),
fitted as (
    select
        transfer_id,
        other_id,
        arg_max(difference, (fit, -abs(difference))) as difference,
        any_value(difference_se) as difference_se,
    from laid
    group by transfer_id, other_id
),
part as (
    select
        analysed_take.take_id,
        analysed_take.part,
        settled.transfer_id,
    from stage.analysed_take
    join settled
        on settled.transfer_id = analysed_take.transfer_id
    where analysed_take.part > 0
),
played as (
    select
        analysed_take.transfer_id,
        analysed_take.take_id,
        written_fit.work_id,
        written_fit.edition,
        written_fit.shift_semitones,
        written_fit.tuning_cents,
        settled.reference_cents,
        written_fit.beats_per_minute,
        -- what the catalogue says of the key explains a shift
        take.key_played is not null or moved.take_id is not null as explained,
    from stage.analysed_take
    join settled
        on settled.transfer_id = analysed_take.transfer_id
    join base.written_fit
        on written_fit.transfer_id = analysed_take.transfer_id and written_fit.take_id = analysed_take.take_id
    join stage.reference_part using (work_id, edition)
    join base.take
        on take.take_id = analysed_take.take_id
    left join (select distinct take_id from base.performance where transposed = 'yes') as moved
        on moved.take_id = analysed_take.take_id
    where written_fit.state = 'placed'
),
-- Who plays on a take, and what tells that two takes were made together.
made as (
    select
        take.take_id,
        take.session_id,
        take.recorded,
        list_sort(list(distinct performance.player_id)) as players,
    from base.take
    join base.performance
        on performance.take_id = take.take_id
    group by take.take_id, take.session_id, take.recorded
),
-- From which event to which a side comes by its written part, and how high it lies above print.
ends as (
    select
        played.transfer_id,
        played.take_id,
        played.work_id,
        played.edition,
        -- notes are counted from each side's own A4
        100 * played.shift_semitones + played.tuning_cents + played.reference_cents as above_print_cents,
        arg_min(written_match.event, (written_match.run, written_match.event)) as first_event,
        arg_max(written_match.event, (written_match.run, written_match.event)) as last_event,
    from played
    join base.written_match using (transfer_id, take_id, work_id, edition)
    where written_match.run is not null
    group by all
),
reached as (
    select
        ends.*,
        opening.bar_index as first_bar,
        closing.bar_index as last_bar,
    from ends
    join stage.written_event as opening
        on opening.work_id = ends.work_id and opening.edition = ends.edition and opening.event = ends.first_event
    join stage.written_event as closing
        on closing.work_id = ends.work_id and closing.edition = ends.edition and closing.event = ends.last_event
),
-- The next side begins in the last bar of the one before, or in the bar after it.
goes_on as (
    select
        before.transfer_id as before_id,
        after.transfer_id as after_id,
        before.take_id <> after.take_id as apart,
        before.above_print_cents - after.above_print_cents as higher_cents,
    from reached as before
    join reached as after
        on
            after.work_id = before.work_id
            and after.edition = before.edition
            and after.first_bar - before.last_bar between 0 and 1
            and after.last_bar > before.last_bar
            and after.first_bar > before.first_bar
            and after.transfer_id <> before.transfer_id
    join made as one
        on one.take_id = before.take_id
    join made as two
        on two.take_id = after.take_id and two.players = one.players
    where
        one.take_id = two.take_id
        or one.session_id = two.session_id
        or (one.session_id is null and two.session_id is null and one.recorded = two.recorded)
),
-- Sides that go on from each other: parts of one take, and takes joined by their bars.
following as (
    select
        before.transfer_id as before_id,
        after.transfer_id as after_id,
        'the part before of the take' as is_before,
        'the next part of the take' as is_after,
    from part as before
    join part as after
        on after.take_id = before.take_id and after.part = before.part + 1
    union all
    select
        before_id,
        after_id,
        'the side whose last bar it goes on from' as is_before,
        'the side that goes on from its last bar' as is_after,
    from goes_on
    where apart
),
-- One session has one speed, nearly, though each disc may be started anew: on the whole, and where the sides join.
turned as (
    select
        following.*,
        before.playing_cents - after.playing_cents as faster_cents,
        sqrt(before.offset_se_cents ** 2 + after.offset_se_cents ** 2) as faster_se_cents,
        before.last_cents - after.first_cents as faster_at_join_cents,
        sqrt(before.last_se_cents ** 2 + after.first_se_cents ** 2) as faster_at_join_se_cents,
    from following
    join settled as before
        on before.transfer_id = following.before_id
    join settled as after
        on after.transfer_id = following.after_id
),
faster as (
    select
        before_id,
        after_id,
        is_before,
        is_after,
        'speed of the disc, cents' as compared,
        faster_cents as difference,
        faster_se_cents as difference_se,
    from turned
    where faster_cents is not null
    union all
    select
        before_id,
        after_id,
        is_before,
        is_after,
        'speed of the disc where they join, cents' as compared,
        faster_at_join_cents as difference,
        faster_at_join_se_cents as difference_se,
    from turned
    where faster_at_join_cents is not null
),
same_work as (
    select
        own.transfer_id,
        own.take_id,
        own.shift_semitones,
        own.beats_per_minute,
        own.explained,
        count(*) as others,
        median(other.shift_semitones) as others_shift,
        -- at least half of the others, the middle ones, agree
        quantile_disc(other.shift_semitones, 0.25) = quantile_disc(other.shift_semitones, 0.75) as agreeing,
        median(other.beats_per_minute) as others_tempo,
    from played as own
    join played as other
        on other.work_id = own.work_id and other.take_id <> own.take_id
    group by own.transfer_id, own.take_id, own.shift_semitones, own.beats_per_minute, own.explained
),
said as (
    select
        transfer_id,
        'another transfer of the side' as beside,
        other_id,
        1 as others,
        'pitch as corrected, cents' as compared,
        difference,
        difference_se,
        50 as doubtful_from,
    from fitted
    union all
    select
        before_id as transfer_id,
        is_after as beside,
        after_id as other_id,
        1 as others,
        compared,
        difference,
        difference_se,
        50 as doubtful_from,
    from faster
    union all
    select
        after_id as transfer_id,
        is_before as beside,
        before_id as other_id,
        1 as others,
        compared,
        -difference as difference,
        difference_se,
        50 as doubtful_from,
    from faster
    union all
    select
        before_id as transfer_id,
        'the side that goes on from its last bar' as beside,
        after_id as other_id,
        1 as others,
        'pitch as corrected, cents' as compared,
        higher_cents as difference,
        null as difference_se,
        50 as doubtful_from,
    from goes_on
    union all
    select
        after_id as transfer_id,
        'the side whose last bar it goes on from' as beside,
        before_id as other_id,
        1 as others,
        'pitch as corrected, cents' as compared,
        -higher_cents as difference,
        null as difference_se,
        50 as doubtful_from,
    from goes_on
    union all
    select
        transfer_id,
        'the written part' as beside,
        take_id as other_id,
        1 as others,
        'pitch as corrected, semitones' as compared,
        shift_semitones as difference,
        null as difference_se,
        if(explained, null, 1) as doubtful_from,
    from played
    union all
    select
        transfer_id,
        'other takes of the work' as beside,
        take_id as other_id,
        others,
        'pitch as corrected, semitones' as compared,
        shift_semitones - others_shift as difference,
        null as difference_se,
        if(explained, null, 1) as doubtful_from,
    from same_work
    where agreeing
    union all
    select
        transfer_id,
        'other takes of the work' as beside,
        take_id as other_id,
        others,
        'tempo, %' as compared,
        100 * (beats_per_minute / others_tempo - 1) as difference,
        null as difference_se,
        null as doubtful_from,
    from same_work
    where beats_per_minute is not null and others_tempo is not null
)
select
    transfer_id,
    beside,
    other_id,
    others,
    compared,
    difference,
    difference_se,
    coalesce(abs(difference) >= doubtful_from, false) as doubtful,
from said
