with
quartile as (
    select
        grouping,
        group_key,
        quantile_cont(duration_ms, [0.25, 0.5, 0.75]) as duration_ms,
        quantile_cont(size_cents, [0.25, 0.5, 0.75]) as size_cents,
        quantile_cont(slope_cents_per_s, [0.25, 0.5, 0.75]) as slope_cents_per_s,
    from tally.slide_in_group
    where weight > 0
    group by grouping, group_key
)
select
    grouping,
    group_key,
    duration_ms[1] as duration_q1_ms,
    duration_ms[2] as duration_median_ms,
    duration_ms[3] as duration_q3_ms,
    size_cents[1] as interval_q1_cents,
    size_cents[2] as interval_median_cents,
    size_cents[3] as interval_q3_cents,
    slope_cents_per_s[1] as gradient_q1_cents_per_s,
    slope_cents_per_s[2] as gradient_median_cents_per_s,
    slope_cents_per_s[3] as gradient_q3_cents_per_s,
from quartile
