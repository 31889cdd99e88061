-- What:  runs that gave far less alcohol than was charged: more than the still keeps back and the instruments allow.
-- Grain: one row a problem found.
-- From:  account.run, account.jar, account.move, log.batch_step, raw.setting
create or replace table problem.run_loses_alcohol as
with instruments as (
    select
        max(number_value) filter (where name = 'uncertainty.volume_frac') as volume_u_frac,
        max(number_value) filter (where name = 'uncertainty.strength_pct_vol') as strength_u_pct_vol,
    from raw.setting
),

-- First-order uncertainty of what was collected and charged: volume and strength of every vessel, independent. At 3.5
-- of these a season of 150 clean runs raises a false alarm once in thirty seasons.
collected as (
    select
        jar.batch,
        jar.run,
        fsum(
            power(jar.lpa * instruments.volume_u_frac, 2)
            + power(jar.volume_20c_l * instruments.strength_u_pct_vol / 1e2, 2)
        ) as variance,
    from account.jar as jar
    cross join instruments
    group by jar.batch, jar.run
),

charged as (
    select
        move.batch,
        move.run,
        fsum(
            power(move.lpa * instruments.volume_u_frac, 2)
            + power(move.volume_l * instruments.strength_u_pct_vol / 1e2, 2)
        ) as variance,
    from account.move as move
    cross join instruments
    where move.kind = 'charge'
    group by move.batch, move.run
),

balanced as (
    select
        run.*,
        batch_step.file_id,
        batch_step.line,
        sqrt(collected.variance + charged.variance) as gap_u_lpa,
        run.charge_lpa - run.collected_lpa - coalesce(run.residue_lpa, 0e0) as gap_lpa,
    from account.run as run
    inner join collected
        on collected.batch = run.batch
        and collected.run = run.run
    inner join charged
        on charged.batch = run.batch
        and charged.run = run.run
    inner join log.batch_step as batch_step
        on batch_step.step_id = run.first_step_id
),

-- What a still keeps back at the usual stops: a stripping run to 10 %vol at the spout leaves 9 % of the alcohol
-- (one equilibrium stage, computed), a spirit run to 10 %vol some 3 %.
with_allowance as (
    select
        *,
        charge_lpa * if(run_kind = 'stripping', 1e-1, 5e-2) as kept_back_lpa,
    from balanced
)

select
    file_id,
    line,
    batch,
    'volume' as column_name,
    printf('%s: %.2f LPA charged, %.2f LPA accounted for', run, charge_lpa, charge_lpa - gap_lpa) as found,
    printf(
        'at least %.2f LPA (the charge less what the still keeps back and 3.5 standard uncertainties)',
        charge_lpa - kept_back_lpa - 3.5e0 * gap_u_lpa
    ) as expected,
from with_allowance
where gap_lpa > kept_back_lpa + 3.5e0 * gap_u_lpa
order by file_id, line
