select distinct
    grouping,
    group_key,
    school_scheme,
    school_id,
    period_scheme,
    period_id,
from tally.take_in_group
where grouping in ('school', 'period', 'school_and_period', 'cohort_and_period')
