select
    finger.*,
    there.* exclude (grouping, group_key, direction),
from tally.fingers_by_group as finger
left join result.finger_share as there
    on there.grouping = finger.grouping and there.group_key = finger.group_key and there.direction = finger.direction
