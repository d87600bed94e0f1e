-- A sum that does not depend on the order of its addends, as a sum of floating-point numbers does: each addend is
-- taken to fifteen places after the point, which sum exactly, and the sum to twelve. Empty addends are left out.
create or replace macro total(addend) as sum(addend::decimal(38, 15))::decimal(38, 12)::double;

-- Limits of a proportion, 95 % (Wilson, Journal of the American Statistical Association 22, 1927); empty without trials.
create or replace macro wilson(successes, trials, side) as case
    when trials > 0 then greatest(0, least(1, (
        successes / trials + 1.959963984540054 ** 2 / (2 * trials)
        + side * 1.959963984540054 * sqrt(
            successes / trials * (1 - successes / trials) / trials + 1.959963984540054 ** 2 / (4 * trials ** 2)
        )
    ) / (1 + 1.959963984540054 ** 2 / trials)))
end;
