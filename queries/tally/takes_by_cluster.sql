select
    member.grouping,
    member.group_key,
    cluster_of(grouping.cluster_unit, take.session_key, take.player_key) as cluster,
    total(member.weight * take.timed_found_slides) as timed_slides,
    total(member.weight * take.timed_minutes) as timed_minutes,
    total(member.weight * take.slid_transitions) as slid_transitions,
    total(member.weight * take.transitions) as transitions,
    total(member.weight * take.slurred_slid_transitions) as slurred_slid_transitions,
    total(member.weight * take.slurred_transitions) as slurred_transitions,
    total(member.weight * take.bar_slides) as bar_slides,
    total(member.weight * take.bars) as bars,
    bool_or(take.session_basis in ('year', 'label')) as is_assumed,
from tally.take_in_group as member
join tally.grouping
    on grouping.grouping = member.grouping
join fact.take_tally as take
    on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
where take.state = 'judged'
group by member.grouping, member.group_key, cluster
