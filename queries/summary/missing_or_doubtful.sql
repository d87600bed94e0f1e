with
unmeasured_transfer as (
    select
        transfer.transfer_id,
        count(side_take.take_id) as takes,
    from base.transfer
    left join base.side_take
        on side_take.side_id = transfer.side_id
    group by transfer.transfer_id
),
mentioned as (
    select player_id from base.performance
    union
    select teacher_id as player_id from base.teaching
    union
    select student_id as player_id from base.teaching
),
heard as (
    select
        player_id,
        sum(reviewed_slides) as reviewed_slides,
        sum(found_slides) as found_slides,
        count(*) filter (where state = 'judged') as takes,
    from fact.take_tally
    where player_id is not null
    group by player_id
),
whole as (
    select
        (select count(*) from base.take) as takes,
        (select count(*) from base.player) as players,
        (select count(*) from base.work) as works,
        (select count(*) from heard where heard.takes > 0) as heard_players,
        (select total(heard.found_slides) from heard)::bigint as found_slides,
),
-- What is true of all, as `among` counts them, is said once.
doubt as (
    select
        'take without a date' as what,
        'take' as thing,
        take_period.take_id as id,
        'no recording date, or an end that no rule closes: counts as undated in ' || take_period.scheme as explanation,
        null as together,
        whole.takes as among,
    from fact.take_period
    cross join whole
    where take_period.period_id = 'undated'
    union all
    select
        'take outside all periods' as what,
        'take' as thing,
        take_period.take_id as id,
        round(100 * take_period.share)::bigint || ' % of its possible days lie in no period of ' || take_period.scheme
            as explanation,
        null as together,
        null as among,
    from fact.take_period
    where take_period.period_id = 'outside'
    union all
    select
        'take whose date was closed by a rule' as what,
        'take' as thing,
        take_period.take_id as id,
        'the end is open or unknown; taken for the ' || min(take_period.closed_by) as explanation,
        null as together,
        whole.takes as among,
    from fact.take_period
    cross join whole
    where take_period.closed_by is not null
    group by take_period.take_id, whole.takes
    union all
    select
        'player without recording days' as what,
        'player' as thing,
        player_id as id,
        count(*) || if(count(*) = 1, ' take', ' takes')
        || ' without a day or a session: takes of one year count as one session, so limits are wide; '
        || 'fill in days or sessions' as explanation,
        'takes without a day or a session: takes of one year count as one session, so limits are wide; '
        || 'fill in days or sessions' as together,
        whole.heard_players as among,
    from fact.take_tally
    cross join whole
    where player_id is not null and state = 'judged' and session_basis in ('year', 'label')
    group by player_id, whole.heard_players
    union all
    select
        'take without one player named' as what,
        'take' as thing,
        take_id as id,
        'no single soloist is named: it counts in the corpus, but for no player' as explanation,
        null as together,
        null as among,
    from fact.take_tally
    where player_id is null and state = 'judged'
    union all
    select
        'doubtful attribution' as what,
        'take' as thing,
        take_id as id,
        player_id || ' is ' || certainty as explanation,
        null as together,
        null as among,
    from fact.take_tally
    where certainty in ('probable', 'possible')
    union all
    select
        'take that could not be judged' as what,
        'take' as thing,
        take_id as id,
        reason as explanation,
        null as together,
        null as among,
    from fact.take_tally
    where state = 'not_judged'
    union all
    select
        'ambiguous speed' as what,
        'take' as thing,
        take_id as id,
        'two readings of the speed are nearly as likely; minutes and fingers depend on it, intervals do not' as explanation,
        null as together,
        null as among,
    from fact.take_tally
    where has_ambiguous_speed
    union all
    select
        'unmeasurable speed' as what,
        'take' as thing,
        take_id as id,
        'left out of rates per minute' as explanation,
        null as together,
        null as among,
    from fact.take_tally
    where timed_minutes < minutes
    union all
    select
        'player without a judged recording' as what,
        'player' as thing,
        mentioned.player_id as id,
        'no take of this person is counted' as explanation,
        null as together,
        null as among,
    from mentioned
    left join heard
        on heard.player_id = mentioned.player_id
    where coalesce(heard.takes, 0) = 0
    union all
    select
        'player nobody has listened to' as what,
        'player' as thing,
        player_id as id,
        unreviewed(heard.found_slides) as explanation,
        unreviewed(whole.found_slides) as together,
        whole.heard_players as among,
    from heard
    cross join whole
    where heard.takes > 0 and heard.reviewed_slides = 0
    union all
    select
        'player without a birth date' as what,
        'player' as thing,
        player.player_id as id,
        'in no birth cohort' as explanation,
        null as together,
        whole.players as among,
    from base.player
    cross join whole
    where player.born is null
    union all
    select
        'transfer of no take' as what,
        'transfer' as thing,
        transfer_id as id,
        'its side carries no take of the catalogue' as explanation,
        null as together,
        null as among,
    from unmeasured_transfer
    where takes = 0
    union all
    select
        'work without a key' as what,
        'work' as thing,
        work.work_id as id,
        'no key to settle the speed by' as explanation,
        null as together,
        whole.works as among,
    from base.work
    cross join whole
    where work.key is null
    union all
    select
        if(slides_per_find > 1, 'take with many slides missed', 'take with many slides invented') as what,
        'take' as thing,
        take_id as id,
        printf('for each slide found there are %.2f (%.2f to %.2f)', slides_per_find, slides_per_find_low, slides_per_find_high)
        || if(slides_per_find > 1, ': rates as found are too low', ': rates as found are too high') as explanation,
        null as together,
        null as among,
    from result.slides_per_find
    where not slides_per_find between 3 / 4 and 4 / 3
    union all
    select
        'doubtful speed' as what,
        'transfer' as thing,
        transfer_id as id,
        printf(
            'the likeliest reading of its speed and A4 is %.0f %% likely; the correction may be %+.0f to %+.0f cents (95 %%)',
            100 * probability, offset_low_cents, offset_high_cents
        ) as explanation,
        null as together,
        null as among,
    from summary.speed_ledger
    where state = 'estimated' and probability < 3 / 4
),
told as (
    select
        *,
        coalesce(among > 1 and count(*) over (partition by what, coalesce(together, explanation)) = among, false)
            as is_of_all,
    from doubt
)
select distinct
    told.what,
    if(told.is_of_all, told.thing || 's', told.thing) as thing,
    if(told.is_of_all, 'all ' || told.among, told.id) as id,
    if(told.is_of_all, coalesce(told.together, told.explanation), told.explanation) as explanation,
from told
