with
-- By how much time stretches if a transfer plays as slowly, or as fast, as its speed's limits over all readings allow.
stretch as (
    select
        transfer_id,
        2 ** ((offset_cents - offset_low_cents) / 1200) as slowest,
        2 ** ((offset_cents - offset_high_cents) / 1200) as fastest,
    from base.speed
    where offset_low_cents is not null and offset_high_cents is not null
),
heard as (
    select
        span.take_id,
        span.player_id,
        span.transfer_id,
        span.minutes,
        span.minutes * stretch.slowest as slowest_minutes,
        span.minutes * stretch.fastest as fastest_minutes,
    from stage.counted_span as span
    join stretch
        on stretch.transfer_id = span.transfer_id
),
slid as (
    select
        slide.take_id,
        slide.player_id,
        slide.duration_ms,
        slide.duration_ms * stretch.fastest as fastest_ms,
        slide.duration_ms * stretch.slowest as slowest_ms,
        abs(slide.gradient_cents_per_s) as gradient,
        abs(slide.gradient_cents_per_s) / stretch.slowest as slowest_gradient,
        abs(slide.gradient_cents_per_s) / stretch.fastest as fastest_gradient,
    from fact.slide
    join stretch
        on stretch.transfer_id = slide.transfer_id
),
-- Whether the likeliest string and finger of a note is another one under another reading that has rows of its own, and
-- how likely such a reading is.
fingered as (
    select
        other.take_id,
        other.note_id,
        max(if((other.string, other.finger) is distinct from (used.string, used.finger), 1, 0)) as differs,
        total(
            if((other.string, other.finger) is distinct from (used.string, used.finger), other.speed_share, 0)
        ) as chance,
    from base.note_hand as other
    join base.note_hand as used
        on used.note_id = other.note_id and used.speed_rank = 1 and used.rank = 1
    where other.rank = 1
    group by other.take_id, other.note_id
),
thing as (
    select
        'take' as thing,
        take_id as id,
        take_id,
        player_id,
    from fact.take_tally
    where state = 'judged'
    union all
    select
        'player' as thing,
        player_id as id,
        take_id,
        player_id,
    from fact.take_tally
    where state = 'judged' and player_id is not null
),
timed as (
    select
        thing.thing,
        thing.id,
        total(heard.minutes) as minutes,
        total(heard.slowest_minutes) as slowest_minutes,
        total(heard.fastest_minutes) as fastest_minutes,
    from thing
    join heard
        on heard.take_id = thing.take_id and heard.player_id is not distinct from thing.player_id
    group by thing.thing, thing.id
),
shaped as (
    select
        thing.thing,
        thing.id,
        count(*) as slides,
        median(slid.duration_ms) as duration_ms,
        median(slid.fastest_ms) as fastest_ms,
        median(slid.slowest_ms) as slowest_ms,
        median(slid.gradient) as gradient,
        median(slid.slowest_gradient) as slowest_gradient,
        median(slid.fastest_gradient) as fastest_gradient,
    from thing
    join slid
        on slid.take_id = thing.take_id and slid.player_id is not distinct from thing.player_id
    group by thing.thing, thing.id
),
held as (
    select
        thing.thing,
        thing.id,
        100 * total(fingered.chance) / count(*) as expected,
        100 * total(fingered.differs) / count(*) as differing,
    from thing
    join fingered
        on fingered.take_id = thing.take_id
    group by thing.thing, thing.id
),
said as (
    select
        timed.thing,
        timed.id,
        'slides per minute' as conclusion,
        coalesce(shaped.slides, 0) as slides,
        coalesce(shaped.slides, 0) / timed.minutes as value,
        coalesce(shaped.slides, 0) / timed.slowest_minutes as low,
        coalesce(shaped.slides, 0) / timed.fastest_minutes as high,
    from timed
    left join shaped
        on shaped.thing = timed.thing and shaped.id = timed.id
    union all
    select
        thing,
        id,
        'median duration of slides, ms' as conclusion,
        slides,
        duration_ms as value,
        fastest_ms as low,
        slowest_ms as high,
    from shaped
    union all
    select
        thing,
        id,
        'median gradient of slides, cents/s' as conclusion,
        slides,
        gradient as value,
        slowest_gradient as low,
        fastest_gradient as high,
    from shaped
    union all
    select
        thing,
        id,
        'notes with another string or finger, %' as conclusion,
        null as slides,
        expected as value,
        0 as low,
        differing as high,
    from held
)
select
    said.thing,
    said.id,
    said.conclusion,
    said.value,
    said.low,
    said.high,
    -- by a tenth of the value or, of strings and fingers, by a tenth of the notes (common practice, no source)
    coalesce(
        said.high - said.low
        > if(said.conclusion = 'notes with another string or finger, %', 10, 0.1 * said.value),
        false
    ) as changes,
    said.slides,
from said
