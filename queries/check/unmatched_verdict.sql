with
current_sound as (
    select
        transfer_id,
        max(samples_sha256) as samples_sha256,
    from base.run
    where samples_sha256 is not null
    group by transfer_id
),
near as (
    select
        review.transfer_id,
        review.transfer_start_s,
        review.transfer_end_s,
        max(
            (
                least(review.transfer_end_s, slide.transfer_audible_end_s)
                - greatest(review.transfer_start_s, slide.transfer_audible_start_s)
            ) / (
                greatest(review.transfer_end_s, slide.transfer_audible_end_s)
                - least(review.transfer_start_s, slide.transfer_audible_start_s)
            )
        ) as overlap,
    from base.review
    join base.slide
        on
            slide.transfer_id = review.transfer_id
            and slide.transfer_audible_start_s < review.transfer_end_s
            and slide.transfer_audible_end_s > review.transfer_start_s
    group by review.transfer_id, review.transfer_start_s, review.transfer_end_s
)
select
    review.transfer_id,
    review.transfer_start_s,
    review.transfer_end_s,
    review.listener,
    review.judged_on,
    review.verdict,
    case
        when review.samples_sha256 <> current_sound.samples_sha256
            then 'given for other samples than those now there'
        else 'overlaps a slide too little to be about it'
    end as what,
from base.review
left join current_sound
    on current_sound.transfer_id = review.transfer_id
left join near
    on
        near.transfer_id = review.transfer_id
        and near.transfer_start_s = review.transfer_start_s
        and near.transfer_end_s = review.transfer_end_s
where
    review.samples_sha256 <> current_sound.samples_sha256
    or near.overlap <= 0.3
