select
    school_membership.player_id,
    school.scheme,
    sum(school_membership.share) as total,
from base.school_membership
join base.school
    on school.school_id = school_membership.school_id
group by school_membership.player_id, school.scheme
having sum(school_membership.share) > 1 + 1e-9
