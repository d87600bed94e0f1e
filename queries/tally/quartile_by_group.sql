select
    grouping,
    group_key,
    quantile_cont(duration_ms, 0.25)::double as duration_q1_ms,
    quantile_cont(duration_ms, 0.5)::double as duration_median_ms,
    quantile_cont(duration_ms, 0.75)::double as duration_q3_ms,
    quantile_cont(size_cents, 0.25)::double as interval_q1_cents,
    quantile_cont(size_cents, 0.5)::double as interval_median_cents,
    quantile_cont(size_cents, 0.75)::double as interval_q3_cents,
    quantile_cont(slope_cents_per_s, 0.25)::double as gradient_q1_cents_per_s,
    quantile_cont(slope_cents_per_s, 0.5)::double as gradient_median_cents_per_s,
    quantile_cont(slope_cents_per_s, 0.75)::double as gradient_q3_cents_per_s,
from tally.slide_in_group
where weight > 0
group by grouping, group_key
