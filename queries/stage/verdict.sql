with
near as (
    select
        review.transfer_id,
        review.transfer_start_s,
        review.transfer_end_s,
        slide.slide_id,
        (
            least(review.transfer_end_s, slide.transfer_audible_end_s)
            - greatest(review.transfer_start_s, slide.transfer_audible_start_s)
        ) / (
            greatest(review.transfer_end_s, slide.transfer_audible_end_s)
            - least(review.transfer_start_s, slide.transfer_audible_start_s)
        ) as overlap,
    from (select distinct transfer_id, transfer_start_s, transfer_end_s from base.review) as review
    join base.slide
        on
            slide.transfer_id = review.transfer_id
            and slide.transfer_audible_start_s < review.transfer_end_s
            and slide.transfer_audible_end_s > review.transfer_start_s
),
nearest as (
    select
        transfer_id,
        transfer_start_s,
        transfer_end_s,
        arg_max(slide_id, (overlap, slide_id)) as slide_id,
        max(overlap) as overlap,
    from near
    group by transfer_id, transfer_start_s, transfer_end_s
),
drawn_find as (
    select distinct
        sample_id,
        transfer_id,
        round(transfer_start_s, 6) as transfer_start_s,
    from base.drawn_item
    where drawn_from = 'slide'
)
select
    review.transfer_id,
    review.transfer_start_s,
    review.transfer_end_s,
    review.listener,
    review.judged_on,
    coalesce(review.sample_id, '') as sample_id,
    review.verdict,
    review.kind,
    coalesce(review.samples_sha256 = current_sound.samples_sha256, true) as is_of_current_sound,
    -- A change of note or a stretch was drawn, not bounds: whoever hears a slide there has not said where it is.
    (coalesce(review.sample_id, '') = '' or drawn_find.sample_id is not null)
    and review.transfer_end_s - review.transfer_start_s <= 1.5 as says_where,
    nearest.overlap,
    case when nearest.overlap > 0.3 then nearest.slide_id end as slide_id,
    case
        when not is_of_current_sound
            then 'given for other samples than those now there'
        when nearest.overlap <= 0.3 then 'overlaps a slide too little to be about it'
        -- A slide heard where none is found is added; other words were about a find if it was drawn as one.
        when nearest.overlap is null and review.verdict <> 'slide' and drawn_find.sample_id is not null
            then 'the find that it was about is found no more'
    end as lost_because,
from base.review
left join stage.current_sound
    on current_sound.transfer_id = review.transfer_id
left join nearest
    on
        nearest.transfer_id = review.transfer_id
        and nearest.transfer_start_s = review.transfer_start_s
        and nearest.transfer_end_s = review.transfer_end_s
left join drawn_find
    on
        drawn_find.sample_id = review.sample_id
        and drawn_find.transfer_id = review.transfer_id
        and drawn_find.transfer_start_s = round(review.transfer_start_s, 6)
