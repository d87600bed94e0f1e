with
hit as (
    select
        school.scheme as scheme,
        school.school_id as school_id,
        coalesce(slide.direction, 'unknown') as direction,
        sum(tally.weight * school.share) as slides,
        count(distinct slide.take_id) as takes_with_slide,
        count(distinct slide.player_id) as players_with_slide,
        coalesce(sum(tally.weight * school.share) filter (where slide.kind = 'departing_finger'), 0) as starting_finger,
        coalesce(sum(tally.weight * school.share) filter (where slide.kind = 'arriving_finger'), 0) as arriving_finger,
        coalesce(sum(tally.weight * school.share) filter (where slide.kind = 'same_finger'), 0) as same_finger,
        coalesce(sum(tally.weight * school.share) filter (where slide.kind = 'two_finger'), 0) as two_finger,
        coalesce(sum(tally.weight * school.share) filter (where slide.kind = 'into_note'), 0) as into_note,
        coalesce(sum(tally.weight * school.share) filter (where slide.kind = 'cannot_tell'), 0) as cannot_tell,
    from fact.slide
    join fact.take_tally as tally
        on tally.take_id = slide.take_id and tally.player_id is not distinct from slide.player_id
    join fact.school_member as school
        on school.player_id is not distinct from slide.player_id
    group by school.scheme, school.school_id, coalesce(slide.direction, 'unknown')
)
select
    hit.scheme,
    hit.school_id,
    coalesce(school.name, 'in no school') as school,
    hit.direction,
    hit.slides,
    hit.takes_with_slide,
    hit.players_with_slide,
    hit.starting_finger,
    hit.arriving_finger,
    hit.same_finger,
    hit.two_finger,
    hit.into_note,
    hit.cannot_tell,
    hit.starting_finger / nullif(hit.slides, 0) as share_starting_finger,
    hit.arriving_finger / nullif(hit.slides, 0) as share_arriving_finger,
    hit.same_finger / nullif(hit.slides, 0) as share_same_finger,
    hit.two_finger / nullif(hit.slides, 0) as share_two_finger,
    hit.into_note / nullif(hit.slides, 0) as share_into_note,
    hit.cannot_tell / nullif(hit.slides, 0) as share_cannot_tell,
from hit
left join base.school
    on school.school_id = hit.school_id
