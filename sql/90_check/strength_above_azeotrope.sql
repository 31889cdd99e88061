-- What:  strengths, corrected to 20 °C, that no pot still gives: the mixture that boils unchanged is 97.2 %vol.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  log.batch_step, log.cask_step
create or replace table problem.strength_above_azeotrope as
with strengths as (
    select file_id, line, batch, step, abv_20c_pct_vol from log.batch_step
    union all
    select file_id, line, null as batch, step, abv_20c_pct_vol from log.cask_step
)

select
    file_id,
    line,
    batch,
    'strength' as column_name,
    printf('%.1f %%vol at 20 °C', abv_20c_pct_vol) as found,
    'at most 97.2 %vol, the strength at which ethanol and water boil off together' as expected,
from strengths
where abv_20c_pct_vol > 9.72e1
order by file_id, line
