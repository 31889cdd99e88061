-- What:  runs that gave far less alcohol than was charged: more than the still keeps back and the instruments allow.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  metric.run, account.run
create or replace table problem.run_loses_alcohol as
-- What a still keeps back at the usual stops: a stripping run to 10 %vol at the spout leaves 9 % of the alcohol
-- (one equilibrium stage, computed), a spirit run to 10 %vol some 3 %.
with with_allowance as (
    select
        *,
        charge_lpa * if(run_kind = 'stripping', 1e-1, 5e-2) as kept_back_lpa,
    from metric.run
)

select
    account_run.file_id,
    account_run.line,
    run.batch,
    'volume' as column_name,
    printf('%s: %.2f LPA charged, %.2f LPA accounted for', run.run, run.charge_lpa, run.charge_lpa - run.gap_lpa)
        as found,
    printf(
        'at least %.2f LPA (the charge less what the still keeps back and 3.5 standard uncertainties)',
        run.charge_lpa - run.kept_back_lpa - 3.5e0 * run.gap_lpa_u
    ) as expected,
from with_allowance as run
inner join account.run as account_run
    on account_run.batch = run.batch
    and account_run.run = run.run
where run.gap_lpa > run.kept_back_lpa + 3.5e0 * run.gap_lpa_u
order by file_id, line
