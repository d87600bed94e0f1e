with
note as (
    select
        take_id,
        player_id,
        mean_cents as cents,
        strained > 0 as is_stretched,
    from fact.chord_note
    where finger > 0 and way_probability >= 0.5
),
side as (
    select
        take_id,
        player_id,
        is_stretched,
        count(*) as notes,
        total(cents) / count(*) as cents,
        (total(cents ** 2) - total(cents) ** 2 / count(*)) / nullif(count(*) * (count(*) - 1), 0) as square_error,
    from note
    group by take_id, player_id, is_stretched
),
each_take as (
    select
        coalesce(usual.take_id, stretched.take_id) as take_id,
        coalesce(usual.player_id, stretched.player_id) as player_id,
        coalesce(usual.notes, 0) as notes,
        usual.cents as mean_cents,
        coalesce(stretched.notes, 0) as stretched_notes,
        stretched.cents as stretched_cents,
        stretched.cents - usual.cents as difference_cents,
        -- Welch, Biometrika 34, 1947; a chord's notes are not independent, so limits are somewhat too narrow.
        sqrt(usual.square_error + stretched.square_error) as error_cents,
        (usual.square_error + stretched.square_error) ** 2
        / nullif(
            usual.square_error ** 2 / (usual.notes - 1) + stretched.square_error ** 2 / (stretched.notes - 1), 0
        ) as df,
    from (from side where not is_stretched) as usual
    full join (from side where is_stretched) as stretched
        on stretched.take_id = usual.take_id and stretched.player_id = usual.player_id
)
select
    each_take.take_id,
    each_take.player_id,
    player.name as player,
    each_take.notes,
    each_take.mean_cents,
    each_take.stretched_notes,
    each_take.stretched_cents,
    each_take.difference_cents,
    each_take.difference_cents - student(each_take.df) * each_take.error_cents as difference_cents_low,
    each_take.difference_cents + student(each_take.df) * each_take.error_cents as difference_cents_high,
from each_take
join base.player
    on player.player_id = each_take.player_id
