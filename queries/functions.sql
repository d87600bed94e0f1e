-- A sum that does not depend on the order of its addends, as a sum of floating-point numbers does: each addend is
-- taken to fifteen places after the point, which sum exactly, and the sum to twelve. Empty addends are left out.
create or replace macro total(addend) as sum(addend::decimal(38, 15))::decimal(38, 12)::double;
