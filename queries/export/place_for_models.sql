with
school as (
    select
        player_id,
        scheme,
        arg_max(school_id, (share, school_id)) as school_id,
    from fact.school_member
    where school_id <> 'unplaced'
    group by player_id, scheme
),
period as (
    select
        take_id,
        scheme,
        any_value(period_id) as period_id,
    from fact.take_period
    where is_certain and period_id not in ('undated', 'outside')
    group by take_id, scheme
)
select
    place.written_place_id,
    place.take_id,
    place.time_through,
    (place.outcome = 'slid')::bigint as slid,
    place.p_slid,
    place.weight,
    place.work_id,
    place.player_id,
    first(school.scheme order by school.scheme) as school_scheme,
    first(school.school_id order by school.scheme) as school_id,
    first(period.scheme order by period.scheme) as period_scheme,
    first(period.period_id order by period.scheme) as period_id,
    any_value(
        round((year(take_dated.recorded_earliest) + year(take_dated.recorded_latest)) / 2)::bigint
    ) as recorded_year,
    any_value(written_place.interval_semitones) as interval_semitones,
    any_value(written_place.is_slurred) as is_slurred,
    any_value(written_place.slide_marked) as slide_marked,
from fact.written_place_take as place
join fact.written_place
    on written_place.written_place_id = place.written_place_id
join stage.take_dated
    on take_dated.take_id = place.take_id
left join school
    on school.player_id = place.player_id
left join period
    on period.take_id = place.take_id
where place.outcome in ('slid', 'not_slid')
group by all
