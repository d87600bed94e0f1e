select
    member.grouping,
    member.group_key,
    cluster_of(grouping.cluster_unit, take.session_key, take.player_key) as cluster,
    cluster_is_assumed(grouping.cluster_unit, take.session_basis) as is_assumed,
    chord.chord_id,
    chord.take_id,
    chord.player_id,
    chord.notes,
    chord.is_broken,
    member.weight,
from fact.chord
join fact.take_tally as take
    on take.take_id = chord.take_id and take.player_id = chord.player_id
join tally.take_in_group as member
    on member.take_id = chord.take_id and member.player_id = chord.player_id
join tally.grouping
    on grouping.grouping = member.grouping
where member.grouping in ('corpus', 'player', 'school', 'period')
