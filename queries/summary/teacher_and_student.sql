with
link as (
    select
        teaching.teacher_id,
        teaching.student_id,
        arg_max(teaching.certainty, certainty.rank) as certainty,
        string_agg(distinct teaching.span, '; ' order by teaching.span) as span,
    from base.teaching
    join stage.certainty
        on certainty.certainty = teaching.certainty
    group by teaching.teacher_id, teaching.student_id
)
select
    link.teacher_id,
    teacher.name as teacher,
    link.student_id,
    student.name as student,
    link.certainty,
    link.span,
    coalesce(teacher_slides.takes, 0) as teacher_takes,
    coalesce(teacher_slides.minutes, 0) as teacher_minutes,
    coalesce(teacher_slides.transitions, 0) as teacher_transitions,
    coalesce(teacher_slides.slides, 0) as teacher_slides,
    teacher_slides.slides_per_minute as teacher_slides_per_minute,
    teacher_slides.slides_per_minute_low as teacher_slides_per_minute_low,
    teacher_slides.slides_per_minute_high as teacher_slides_per_minute_high,
    teacher_slides.slides_per_minute_corrected as teacher_slides_per_minute_corrected,
    teacher_slides.slides_per_minute_corrected_low as teacher_slides_per_minute_corrected_low,
    teacher_slides.slides_per_minute_corrected_high as teacher_slides_per_minute_corrected_high,
    teacher_slides.slides_per_100_transitions as teacher_slides_per_100_transitions,
    teacher_slides.slides_per_100_transitions_low as teacher_slides_per_100_transitions_low,
    teacher_slides.slides_per_100_transitions_high as teacher_slides_per_100_transitions_high,
    teacher_slides.slides_per_100_transitions_corrected as teacher_slides_per_100_transitions_corrected,
    teacher_slides.slides_per_100_transitions_corrected_low as teacher_slides_per_100_transitions_corrected_low,
    teacher_slides.slides_per_100_transitions_corrected_high as teacher_slides_per_100_transitions_corrected_high,
    coalesce(student_slides.takes, 0) as student_takes,
    coalesce(student_slides.minutes, 0) as student_minutes,
    coalesce(student_slides.transitions, 0) as student_transitions,
    coalesce(student_slides.slides, 0) as student_slides,
    student_slides.slides_per_minute as student_slides_per_minute,
    student_slides.slides_per_minute_low as student_slides_per_minute_low,
    student_slides.slides_per_minute_high as student_slides_per_minute_high,
    student_slides.slides_per_minute_corrected as student_slides_per_minute_corrected,
    student_slides.slides_per_minute_corrected_low as student_slides_per_minute_corrected_low,
    student_slides.slides_per_minute_corrected_high as student_slides_per_minute_corrected_high,
    student_slides.slides_per_100_transitions as student_slides_per_100_transitions,
    student_slides.slides_per_100_transitions_low as student_slides_per_100_transitions_low,
    student_slides.slides_per_100_transitions_high as student_slides_per_100_transitions_high,
    student_slides.slides_per_100_transitions_corrected as student_slides_per_100_transitions_corrected,
    student_slides.slides_per_100_transitions_corrected_low as student_slides_per_100_transitions_corrected_low,
    student_slides.slides_per_100_transitions_corrected_high as student_slides_per_100_transitions_corrected_high,
    comparison.ratio as ratio_per_100_transitions,
    comparison.ratio_low as ratio_per_100_transitions_low,
    comparison.ratio_high as ratio_per_100_transitions_high,
    comparison.ratio_corrected as ratio_per_100_transitions_corrected,
    comparison.ratio_corrected_low as ratio_per_100_transitions_corrected_low,
    comparison.ratio_corrected_high as ratio_per_100_transitions_corrected_high,
    comparison.correction,
    comparison.judged,
    comparison.planted,
    teacher_slides.share_rising as teacher_share_rising,
    student_slides.share_rising as student_share_rising,
    teacher_slides.duration_median_ms as teacher_duration_median_ms,
    teacher_slides.duration_median_corrected_ms as teacher_duration_median_corrected_ms,
    student_slides.duration_median_ms as student_duration_median_ms,
    student_slides.duration_median_corrected_ms as student_duration_median_corrected_ms,
    teacher_slides.interval_median_cents as teacher_interval_median_cents,
    teacher_slides.interval_median_corrected_cents as teacher_interval_median_corrected_cents,
    student_slides.interval_median_cents as student_interval_median_cents,
    student_slides.interval_median_corrected_cents as student_interval_median_corrected_cents,
    teacher_slides.gradient_median_cents_per_s as teacher_gradient_median_cents_per_s,
    teacher_slides.gradient_median_corrected_cents_per_s as teacher_gradient_median_corrected_cents_per_s,
    student_slides.gradient_median_cents_per_s as student_gradient_median_cents_per_s,
    student_slides.gradient_median_corrected_cents_per_s as student_gradient_median_corrected_cents_per_s,
    comparison.warning,
from link
left join base.player as teacher
    on teacher.player_id = link.teacher_id
left join base.player as student
    on student.player_id = link.student_id
left join summary.slides_by_group as teacher_slides
    on teacher_slides.grouping = 'player' and teacher_slides.group_key = link.teacher_id
left join summary.slides_by_group as student_slides
    on student_slides.grouping = 'player' and student_slides.group_key = link.student_id
left join result.comparison
    on
        comparison.grouping = 'teacher_and_student'
        and comparison.group_key = link.student_id
        and comparison.other_key = link.teacher_id
        and comparison.measure = 'slides_per_100_transitions'
        and comparison.evidence = 'music_as_recorded'
