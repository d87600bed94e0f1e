select
    first_period.scheme,
    first_period.period_id,
    second_period.period_id as other_period_id,
    greatest(first_period.span_earliest, second_period.span_earliest) as overlap_from,
    least(first_period.span_latest, second_period.span_latest) as overlap_to,
from base.period as first_period
join base.period as second_period
    on
        second_period.scheme = first_period.scheme
        and second_period.period_id > first_period.period_id
        and coalesce(second_period.span_earliest, date '0001-01-01')
        <= coalesce(first_period.span_latest, date '9999-12-31')
        and coalesce(first_period.span_earliest, date '0001-01-01')
        <= coalesce(second_period.span_latest, date '9999-12-31')
