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

-- The 0.975 quantile of Student's t (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5): to a thousandth
-- from five degrees of freedom on, a fortieth short with two.
create or replace macro student(df) as
    1.959963984540054
    + 2.372271 / df + 2.822500 / df ** 2 + 2.555850 / df ** 3 + 1.589534 / df ** 4;

-- What is drawn anew as a whole in a grouping: recording sessions or players; and whether a session is only assumed.
create or replace macro cluster_of(unit, session_key, player_key) as if(unit = 'session', session_key, player_key);
create or replace macro cluster_is_assumed(unit, session_basis) as unit = 'session' and session_basis in ('year', 'label');

-- Kinds of change of note, which repertoires are held equal by. Bounds are common practice, no source: steps, thirds and
-- fourths, fifths to sevenths, more; hardly, perhaps and likely slurred; notes under a quarter of a second, to six
-- tenths, longer.
create or replace macro interval_class(semitones) as
    case when semitones <= 2 then 0 when semitones <= 4 then 1 when semitones <= 7 then 2 else 3 end;
create or replace macro slur_class(probability) as case when probability < 0.3 then 0 when probability < 0.7 then 1 else 2 end;
create or replace macro length_class(s) as case when s < 0.25 then 0 when s < 0.6 then 1 else 2 end;

-- In words, that nobody has listened to so many finds.
create or replace macro unreviewed(finds) as case finds
    when 0 then 'no slide was found that could be reviewed by ear'
    when 1 then 'the one slide found was not reviewed by ear'
    else 'none of ' || finds || ' slides found was reviewed by ear'
end;
