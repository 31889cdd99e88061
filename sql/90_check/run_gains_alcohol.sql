-- What:  runs that gave more alcohol than was charged, beyond what the instruments allow.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  metric.run, account.run
create or replace table problem.run_gains_alcohol as
select
    account_run.file_id,
    account_run.line,
    run.batch,
    'volume' as column_name,
    printf('%s: %.2f LPA charged, %.2f LPA collected', run.run, run.charge_lpa, run.collected_lpa) as found,
    printf(
        'at most %.2f LPA collected (the charge and 3.5 standard uncertainties)',
        run.charge_lpa + 3.5e0 * run.gap_lpa_u
    ) as expected,
from metric.run as run
inner join account.run as account_run
    on account_run.batch = run.batch
    and account_run.run = run.run
-- At 3.5 standard uncertainties a season of 150 clean runs raises a false alarm once in thirty seasons.
where run.gap_lpa < -3.5e0 * run.gap_lpa_u
order by file_id, line
