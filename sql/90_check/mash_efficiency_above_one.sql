-- What:  mashes that gave more extract than their grain holds.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  metric.batch, account.wort, log.batch_step
create or replace table problem.mash_efficiency_above_one as
with first_wort as (
    select
        batch,
        any_value(file_id order by step_no) as file_id,
        any_value(line order by step_no) as line,
    from account.wort
    group by batch
),

first_step as (
    select
        batch,
        any_value(file_id order by step_no) as file_id,
        any_value(line order by step_no) as line,
    from log.batch_step
    group by batch
)

select
    coalesce(first_wort.file_id, first_step.file_id) as file_id,
    coalesce(first_wort.line, first_step.line) as line,
    batch.batch,
    'volume' as column_name,
    printf('%.1f %% mash efficiency', 1e2 * batch.mash_efficiency_frac) as found,
    'at most 100 %, and seldom over 95 %: a mash cannot give more extract than its grain holds' as expected,
from metric.batch as batch
left join first_wort
    on first_wort.batch = batch.batch
left join first_step
    on first_step.batch = batch.batch
where batch.mash_efficiency_frac > 1e0
order by file_id, line
