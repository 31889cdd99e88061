-- What:  draws of more than a lot held, beyond what the instruments allow.
-- Grain: one row a problem found.
-- From:  account.move, raw.setting
create or replace table problem.lot_overdrawn as
with vessel as (
    select number_value as volume_u_frac
    from raw.setting
    where name = 'uncertainty.volume_frac'
)

select
    move.file_id,
    move.line,
    move.batch,
    'volume' as column_name,
    printf('%.2f L drawn from "%s"', move.volume_l, move.from_lot) as found,
    printf('at most %.2f L, which is what it held then', move.volume_l - move.overdrawn_l) as expected,
from account.move as move
cross join vessel
-- Every volume poured in and out so far carries its own error: three standard uncertainties of their sum, and
-- a third more for strengths and temperatures, which turn volumes into contents.
where move.overdrawn_l > 4e0 * vessel.volume_u_frac * move.from_turnover_l
order by move.file_id, move.line
