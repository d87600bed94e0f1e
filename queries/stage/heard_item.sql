with
answer as (
    select
        item.sample_id,
        item.item_id,
        review.listener,
        arg_max(review.verdict, (review.judged_on, review.verdict)) as verdict,
        arg_max(coalesce(review.kind, ''), (review.judged_on, review.verdict)) as kind,
    from base.drawn_item as item
    join base.review as review
        on
            review.sample_id = item.sample_id
            and review.transfer_id = item.transfer_id
            and review.samples_sha256 = item.samples_sha256
            and round(review.transfer_start_s, 6) = round(item.transfer_start_s, 6)
            and round(review.transfer_end_s, 6) = round(item.transfer_end_s, 6)
            and coalesce(review.item_id, item.item_id) = item.item_id
    where item.repeat_of is null
    group by item.sample_id, item.item_id, review.listener
),
change as (
    select
        chance.transition_id,
        chance.transfer_id,
        chance.slide_score,
        first_note.transfer_end_s - 0.05 as start_s,
        second_note.transfer_start_s + 0.05 as end_s,
        slide.slide_id is not null as has_find,
    from stage.chance
    join base.note as first_note
        on first_note.note_id = chance.from_note_id
    join base.note as second_note
        on second_note.note_id = chance.to_note_id
    left join base.slide
        on slide.to_note_id = chance.to_note_id
    where chance.transfer_id in (select item.transfer_id from base.drawn_item as item)
),
stands as (
    -- What each place drawn is now: sounds may have been measured anew since.
    select
        item.sample_id,
        item.item_id,
        arg_max(
            place.id,
            (
                least(item.transfer_end_s, place.end_s) - greatest(item.transfer_start_s, place.start_s),
                place.id
            )
        ) as id,
    from base.drawn_item as item
    join (
        select
            'slide' as drawn_from,
            slide_id as id,
            transfer_id,
            transfer_audible_start_s as start_s,
            transfer_audible_end_s as end_s,
        from base.slide
        union all
        select
            'transition' as drawn_from,
            transition_id as id,
            transfer_id,
            start_s,
            end_s,
        from change
        where not has_find
    ) as place
        on
            place.drawn_from = item.drawn_from
            and place.transfer_id = item.transfer_id
            and place.start_s < item.transfer_end_s
            and place.end_s > item.transfer_start_s
    group by item.sample_id, item.item_id
)
select
    item.sample_id,
    item.item_id,
    answer.listener,
    item.transfer_id,
    item.take_id,
    item.player_id,
    item.drawn_from,
    stands.id as stands_for,
    item.stratum_size / item.stratum_drawn as stands_for_how_many,
    item.found_kind,
    item.confidence,
    change.slide_score,
    answer.verdict,
    nullif(answer.kind, '') as kind,
from base.drawn_item as item
join answer
    on answer.sample_id = item.sample_id and answer.item_id = item.item_id
left join stage.current_sound
    on current_sound.transfer_id = item.transfer_id
left join stands
    on stands.sample_id = item.sample_id and stands.item_id = item.item_id
left join change
    on item.drawn_from = 'transition' and change.transition_id = stands.id
where coalesce(current_sound.samples_sha256 = item.samples_sha256, true)
