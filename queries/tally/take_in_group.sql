with
take as (
    select
        take_id,
        player_id,
        coalesce(player_id, '~') as player_key,
        coalesce(work_id, '~') as work_key,
        coalesce(instrument, 'unknown') as instrument,
        process,
        accompaniment,
        weight,
    from fact.take_tally
),
school as (
    select
        player_id,
        scheme as school_scheme,
        school_id,
        scheme || '/' || school_id as school_key,
        share,
    from fact.school_member
),
-- A take that may lie in several periods, years or cohorts counts in none of them as a part: it is a take of its own
-- kind, whose dates result.estimate draws.
period as (
    select distinct
        take_id,
        scheme as period_scheme,
        if(is_certain, period_id, 'uncertain') as period_id,
        scheme || '/' || if(is_certain, period_id, 'uncertain') as period_key,
    from fact.take_period
),
cohort as (
    select distinct
        player_id,
        if(share > 1 - 1e-9, cohort, 'unknown') as cohort,
    from fact.player_cohort
),
year as (
    select distinct
        take_id,
        if(share > 1 - 1e-9, year::varchar, null) as year,
    from fact.take_year
),
lineage as (
    select
        ancestor_id,
        player_id,
        generations as generation,
    from stage.ancestor
    union all
    select distinct
        ancestor_id,
        ancestor_id as player_id,
        0 as generation,
    from stage.ancestor
)
select 'corpus' as grouping, 'corpus' as group_key, take_id, player_id, weight,
from take
union all by name
select 'take' as grouping, take_id || '/' || player_key as group_key, take_id, player_id, weight,
from take
union all by name
select 'player' as grouping, player_key as group_key, take_id, player_id, weight,
from take
union all by name
select 'process' as grouping, process as group_key, take_id, player_id, weight,
from take
union all by name
select 'accompaniment' as grouping, accompaniment as group_key, take_id, player_id, weight,
from take
union all by name
select 'instrument' as grouping, instrument as group_key, take_id, player_id, weight,
from take
union all by name
select 'work' as grouping, work_key as group_key, take_id, player_id, weight,
from take
union all by name
select 'work_and_player' as grouping, work_key || '/' || player_key as group_key, take_id, player_id, weight,
from take
union all by name
select
    'school' as grouping,
    school.school_key as group_key,
    school.school_scheme,
    school.school_id,
    take.take_id,
    take.player_id,
    take.weight * school.share as weight,
from take
join school
    on school.player_id is not distinct from take.player_id
union all by name
select
    'period' as grouping,
    period.period_key as group_key,
    period.period_scheme,
    period.period_id,
    take.take_id,
    take.player_id,
    take.weight,
from take
join period
    on period.take_id = take.take_id
union all by name
select
    'school_and_period' as grouping,
    school.school_key || '/' || period.period_key as group_key,
    school.school_scheme,
    school.school_id,
    period.period_scheme,
    period.period_id,
    take.take_id,
    take.player_id,
    take.weight * school.share as weight,
from take
join school
    on school.player_id is not distinct from take.player_id
join period
    on period.take_id = take.take_id
union all by name
select
    'cohort' as grouping,
    cohort.cohort as group_key,
    take.take_id,
    take.player_id,
    take.weight,
from take
join cohort
    on cohort.player_id is not distinct from take.player_id
union all by name
select
    'cohort_and_period' as grouping,
    cohort.cohort || '/' || period.period_key as group_key,
    period.period_scheme,
    period.period_id,
    take.take_id,
    take.player_id,
    take.weight,
from take
join cohort
    on cohort.player_id is not distinct from take.player_id
join period
    on period.take_id = take.take_id
union all by name
select
    'year' as grouping,
    coalesce(year.year, 'undated') as group_key,
    take.take_id,
    take.player_id,
    take.weight,
from take
join year
    on year.take_id = take.take_id
union all by name
select
    'lineage' as grouping,
    lineage.ancestor_id || '/' || lineage.generation as group_key,
    take.take_id,
    take.player_id,
    take.weight,
from take
join lineage
    on lineage.player_id = take.player_id
