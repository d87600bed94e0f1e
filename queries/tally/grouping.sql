select
    grouping,
    cluster_unit,
    has_quartiles,
from (
    values
    ('corpus', 'player', true),
    ('take', 'session', false),
    ('player', 'session', true),
    ('school', 'player', true),
    ('period', 'player', true),
    ('school_and_period', 'player', true),
    ('cohort', 'player', true),
    ('cohort_and_period', 'player', true),
    ('year', 'player', true),
    ('process', 'player', true),
    ('accompaniment', 'player', true),
    ('instrument', 'player', true),
    ('work', 'player', true),
    ('work_and_player', 'session', true),
    ('lineage', 'player', false),
    ('kind', 'player', true),
    ('kind_and_direction', 'player', true),
    ('interval', 'player', true),
    ('bar', 'player', false)
) as listed (grouping, cluster_unit, has_quartiles)
