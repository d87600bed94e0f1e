select
    school_membership.player_id,
    school.scheme,
    total(school_membership.share) as total,
from base.school_membership
join base.school
    on school.school_id = school_membership.school_id
group by school_membership.player_id, school.scheme
having total(school_membership.share) > 1 + 1e-9
