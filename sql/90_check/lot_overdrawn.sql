-- What:  draws of more than a lot held, beyond what the instruments allow.
-- Note:  what was drawn too much adds up from gauge to gauge: two draws that each go a little too far can together
--        go further than any error of reading. The draw named is the one that makes it so.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.move, raw.setting
create or replace table problem.lot_overdrawn as
with vessel as (
    select number_value as volume_u_frac
    from raw.setting
    where name = 'uncertainty.volume_frac'
),

since_gauge as (
    select
        *,
        count(*) filter (where kind in ('gauge', 'cask gauge') and mass_kg is not null)
            over (partition by lower(from_lot) order by move_id) as gauges,
    from account.move
    where from_lot is not null
),

added_up as (
    select
        *,
        fsum(overdrawn_l) over (partition by lower(from_lot), gauges order by move_id) as together_l,
    from since_gauge
)

select
    move.file_id,
    move.line,
    move.batch,
    'volume' as column_name,
    printf('%.2f L drawn from "%s"', move.volume_l, move.from_lot) as found,
    printf('at most %.2f L, which is what it held then', move.volume_l - move.overdrawn_l)
    || if(
        move.together_l - move.overdrawn_l > 5e-3,
        printf('; with the draws before it, %.2f L more than there was', move.together_l),
        ''
    ) as expected,
from added_up as move
cross join vessel
-- Every volume poured in and out so far carries its own error: three standard uncertainties of their sum, and
-- a third more for strengths and temperatures, which turn volumes into contents.
where move.overdrawn_l > 0e0 and move.together_l > 4e0 * vessel.volume_u_frac * move.from_turnover_l
order by file_id, line
