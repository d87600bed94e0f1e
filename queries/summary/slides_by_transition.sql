select
    member.grouping,
    member.group_key,
    ['1 to 2', '3 to 4', '5 to 7', '8 and more'][kind.interval_class + 1] as semitones,
    kind.direction,
    ['separate', 'unsure', 'slurred'][kind.slur_class + 1] as slur,
    total(member.weight * kind.transitions) as transitions,
    total(member.weight * kind.slides) as slides,
    100 * total(member.weight * kind.slides) / total(member.weight * kind.transitions) as slides_per_100_transitions,
    count(distinct kind.player_id) as players,
from tally.transition_by_kind as kind
join tally.take_in_group as member
    on member.take_id = kind.take_id and member.player_id is not distinct from kind.player_id
where member.grouping in ('corpus', 'player', 'school', 'period') and member.weight > 0
group by member.grouping, member.group_key, kind.interval_class, kind.direction, kind.slur_class
