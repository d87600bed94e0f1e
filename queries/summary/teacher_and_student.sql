with
link as (
    select
        teacher_id,
        student_id,
        ['possible', 'probable', 'certain'][
            max(list_position(['possible', 'probable', 'certain'], certainty))
        ] as certainty,
        string_agg(distinct span, '; ' order by span) as span,
    from base.teaching
    group by teacher_id, student_id
),
tally as (
    select
        player_id,
        sum(weight) as takes,
        coalesce(sum(weight * minutes), 0) as minutes,
        coalesce(sum(weight * transitions), 0) as transitions,
        coalesce(sum(weight * slides), 0) as slides,
        sum(weight * rising_slides) / nullif(sum(weight * slides), 0) as share_rising,
    from fact.take_tally
    group by player_id
)
select
    link.teacher_id,
    teacher.name as teacher,
    link.student_id,
    student.name as student,
    link.certainty,
    link.span,
    coalesce(teacher_tally.takes, 0) as teacher_takes,
    coalesce(teacher_tally.minutes, 0) as teacher_minutes,
    coalesce(teacher_tally.transitions, 0) as teacher_transitions,
    coalesce(teacher_tally.slides, 0) as teacher_slides,
    teacher_rate.slides_per_minute as teacher_slides_per_minute,
    teacher_rate.slides_per_minute_low as teacher_slides_per_minute_low,
    teacher_rate.slides_per_minute_high as teacher_slides_per_minute_high,
    teacher_rate.slides_per_100_transitions as teacher_slides_per_100_transitions,
    teacher_rate.slides_per_100_transitions_low as teacher_slides_per_100_transitions_low,
    teacher_rate.slides_per_100_transitions_high as teacher_slides_per_100_transitions_high,
    coalesce(student_tally.takes, 0) as student_takes,
    coalesce(student_tally.minutes, 0) as student_minutes,
    coalesce(student_tally.transitions, 0) as student_transitions,
    coalesce(student_tally.slides, 0) as student_slides,
    student_rate.slides_per_minute as student_slides_per_minute,
    student_rate.slides_per_minute_low as student_slides_per_minute_low,
    student_rate.slides_per_minute_high as student_slides_per_minute_high,
    student_rate.slides_per_100_transitions as student_slides_per_100_transitions,
    student_rate.slides_per_100_transitions_low as student_slides_per_100_transitions_low,
    student_rate.slides_per_100_transitions_high as student_slides_per_100_transitions_high,
    comparison.ratio as ratio_per_100_transitions,
    comparison.ratio_low as ratio_per_100_transitions_low,
    comparison.ratio_high as ratio_per_100_transitions_high,
    teacher_tally.share_rising as teacher_share_rising,
    student_tally.share_rising as student_share_rising,
    teacher_rate.duration_median_ms as teacher_duration_median_ms,
    student_rate.duration_median_ms as student_duration_median_ms,
    teacher_rate.interval_median_cents as teacher_interval_median_cents,
    student_rate.interval_median_cents as student_interval_median_cents,
    teacher_rate.gradient_median_cents_per_s as teacher_gradient_median_cents_per_s,
    student_rate.gradient_median_cents_per_s as student_gradient_median_cents_per_s,
    comparison.warning,
from link
left join base.player as teacher
    on teacher.player_id = link.teacher_id
left join base.player as student
    on student.player_id = link.student_id
left join tally as teacher_tally
    on teacher_tally.player_id = link.teacher_id
left join tally as student_tally
    on student_tally.player_id = link.student_id
left join result.estimate as teacher_rate
    on teacher_rate.grouping = 'player' and teacher_rate.group_key = link.teacher_id
left join result.estimate as student_rate
    on student_rate.grouping = 'player' and student_rate.group_key = link.student_id
left join result.comparison
    on
        comparison.grouping = 'teacher_and_student'
        and comparison.group_key = link.student_id
        and comparison.other_key = link.teacher_id
        and comparison.measure = 'slides_per_100_transitions'
