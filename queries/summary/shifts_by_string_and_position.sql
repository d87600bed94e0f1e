with
way as (
    select
        hand.slide_id,
        hand.string,
        hand.from_position,
        hand.to_position,
        total(hand.speed_share * coalesce(hand.passage_probability, hand.probability)) as probability,
    from base.slide_hand as hand
    where
        hand.string is not null
        and hand.from_finger > 0
        and hand.to_finger > 0
        and hand.from_position <> hand.to_position
    group by hand.slide_id, hand.string, hand.from_position, hand.to_position
),
whole as (
    select
        tally.instrument,
        total(tally.weight * way.probability) as slides,
    from way
    join fact.slide
        on slide.slide_id = way.slide_id
    join fact.take_tally as tally
        on tally.take_id = slide.take_id and tally.player_id is not distinct from slide.player_id
    group by tally.instrument
)
select
    coalesce(tally.instrument, 'unknown') as instrument,
    way.string,
    way.from_position,
    way.to_position,
    if(way.to_position > way.from_position, 'rising', 'falling') as direction,
    total(tally.weight * way.probability) as slides,
    total(tally.weight * way.probability) / nullif(any_value(whole.slides), 0) as share_of_slides,
    count(distinct slide.player_id) filter (where way.probability >= 0.5) as players,
from way
join fact.slide
    on slide.slide_id = way.slide_id
join fact.take_tally as tally
    on tally.take_id = slide.take_id and tally.player_id is not distinct from slide.player_id
join whole
    on whole.instrument is not distinct from tally.instrument
group by tally.instrument, way.string, way.from_position, way.to_position
having total(tally.weight * way.probability) >= 0.05
