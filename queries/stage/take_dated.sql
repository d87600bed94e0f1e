select
    take.take_id,
    coalesce(take.recorded, session.recorded) as recorded,
    if(take.recorded is null, session.recorded_earliest, take.recorded_earliest) as recorded_earliest,
    if(take.recorded is null, session.recorded_latest, take.recorded_latest) as recorded_latest,
from base.take
left join base.session
    on session.session_id = take.session_id
