-- What:  casks that lose more than three times what their size leads to, and by more than the readings' errors explain.
-- Note:  the row named is the last measurement of the cask, for it is the one that shows the loss.
-- Grain: one row a problem found.
-- From:  account.cask_loss, account.move
create or replace table problem.cask_leaking as
with last_gauge as (
    select
        lower(from_lot) as lot_key,
        max(move_id) as move_id,
    from account.move
    where kind = 'cask gauge'
    group by lower(from_lot)
)

select
    move.file_id,
    move.line,
    null as batch,
    'volume' as column_name,
    printf(
        'a loss of %.1f ± %.1f %% of its alcohol a year',
        1e2 * cask_loss.loss_frac_per_year,
        1e2 * cask_loss.loss_frac_per_year_u
    ) as found,
    printf(
        'about %.1f %% a year, which is what a cask of its size leads to, and less than three times that',
        1e2 * cask_loss.predicted_loss_frac_per_year
    ) as expected,
from account.cask_loss as cask_loss
inner join last_gauge
    on last_gauge.lot_key = cask_loss.lot
inner join account.move as move
    on move.move_id = last_gauge.move_id
where cask_loss.is_leaking
order by move.file_id, move.line, cask_loss.lot
