-- What:  masses, volumes and temperatures that another unit would make fit: pounds, US gallons, degrees Fahrenheit.
-- Note:  2.2046 lb are a kilogram, 3.7854 L a US gallon (NIST Handbook 44, appendix C). A unit is named only where the
--        rest of the batch or of the season implies it, and it is not the one written; what a number means is never
--        changed.
-- Grain: one row a problem found.
-- From:  metric.batch, account.fermentable, account.wort, account.wash, account.run, account.jar, account.move, log.batch_step,
--        raw.batch_log, raw.batch_value
create or replace table problem.units_confused as
-- Whether a number stands there in the unit it is kept in; one whose digits cannot be told is taken to. Asked of few
-- rows, and so not worked out for all.
with as_kept as not materialized (
    select
        log.file_id,
        log.line,
        coalesce(abs(number_written(log.mass) - value.mass_kg) < 1e-6 * value.mass_kg, true) as is_mass_kept,
        coalesce(abs(number_written(log.volume) - value.volume_l) < 1e-6 * value.volume_l, true) as is_volume_kept,
        coalesce(abs(number_written(log.temperature) - value.temperature_c) < 1e-6, true) as is_temperature_kept,
    from raw.batch_log as log
    inner join raw.batch_value as value
        on value.file_id = log.file_id
        and value.line = log.line
),

grain_rows as (
    select
        batch,
        any_value(file_id order by mass_kg desc, step_no) as file_id,
        any_value(line order by mass_kg desc, step_no) as line,
    from account.fermentable
    where step = 'grain' and mass_kg is not null
    group by batch
),

wort_rows as (
    select
        batch,
        any_value(file_id order by volume_20c_l desc, step_no) as file_id,
        any_value(line order by volume_20c_l desc, step_no) as line,
    from account.wort
    where volume_20c_l is not null
    group by batch
),

-- What mashes usually give here; where too few say so, what they give anywhere (common practice, no source).
usual as (
    select
        if(count(mash_efficiency_frac) >= 5, median(mash_efficiency_frac), 0.75e0) as mash_efficiency_frac,
    from metric.batch
),

mashes as (
    select
        batch.batch,
        batch.mash_efficiency_frac / nullif(usual.mash_efficiency_frac, 0e0) as ratio,
        batch.mash_efficiency_frac,
        usual.mash_efficiency_frac as usual_frac,
    from metric.batch as batch
    cross join usual
    where batch.mash_efficiency_frac > 0e0
),

masses as (
    select
        grain_rows.file_id,
        grain_rows.line,
        mashes.batch,
        'mass' as column_name,
        printf(
            'a mash efficiency of %.0f %%, where %.0f %% is usual',
            1e2 * mashes.mash_efficiency_frac,
            1e2 * mashes.usual_frac
        ) as found,
        if(mashes.ratio < 1e0, 'lb', 'kg') as unit_that_fits,
        'the grain''s masses' as of_what,
    from mashes
    inner join grain_rows
        on grain_rows.batch = mashes.batch
    inner join as_kept
        on as_kept.file_id = grain_rows.file_id
        and as_kept.line = grain_rows.line
    where
        abs(abs(ln(mashes.ratio)) - ln(2.2046e0)) < 2e-1
        and (mashes.ratio < 1e0) = as_kept.is_mass_kept
),

worts as (
    select
        wort_rows.file_id,
        wort_rows.line,
        mashes.batch,
        'volume' as column_name,
        printf(
            'a mash efficiency of %.0f %%, where %.0f %% is usual',
            1e2 * mashes.mash_efficiency_frac,
            1e2 * mashes.usual_frac
        ) as found,
        if(mashes.ratio < 1e0, 'gal', 'L') as unit_that_fits,
        'the worts'' volumes' as of_what,
    from mashes
    inner join wort_rows
        on wort_rows.batch = mashes.batch
    inner join as_kept
        on as_kept.file_id = wort_rows.file_id
        and as_kept.line = wort_rows.line
    where
        abs(abs(ln(mashes.ratio)) - ln(3.7854e0)) < 2e-1
        and (mashes.ratio < 1e0) = as_kept.is_volume_kept
),

washes as (
    select
        batch_step.file_id,
        batch_step.line,
        wash.batch,
        'volume' as column_name,
        printf('%.1f L of wash from %.1f L of wort', wash.wash_volume_l, wash.wort_volume_l) as found,
        if(wash.wash_volume_l < wash.wort_volume_l, 'gal', 'L') as unit_that_fits,
        'one of the two' as of_what,
    from account.wash as wash
    inner join log.batch_step as batch_step
        on batch_step.batch = wash.batch
        and batch_step.step_no = wash.original_step_no
    where
        wash.wash_volume_l > 0e0
        and wash.wort_volume_l > 0e0
        and abs(abs(ln(wash.wash_volume_l / nullif(wash.wort_volume_l, 0e0))) - ln(3.7854e0)) < 1.5e-1
),

-- One vessel of a run that would close it, were it read in the other unit.
gaps as (
    select
        *,
        charge_lpa - collected_lpa - coalesce(residue_lpa, 0e0) as gap_lpa,
        -- What a still keeps back (a stripping run up to a tenth, computed for one equilibrium stage).
        5e-2 * charge_lpa as usual_gap_lpa,
    from account.run
    where charge_lpa > 0e0
),

poured as (
    select batch, run, file_id, line, lpa, 1e0 as sign from account.jar
    union all
    select batch, run, file_id, line, lpa, -1e0 as sign from account.move where kind = 'charge'
),

run_vessels as (
    select
        poured.file_id,
        poured.line,
        poured.batch,
        'volume' as column_name,
        printf(
            '%s: %.2f LPA charged, %.2f LPA accounted for', gaps.run, gaps.charge_lpa, gaps.charge_lpa - gaps.gap_lpa
        ) as found,
        unit.symbol as unit_that_fits,
        'this vessel' as of_what,
        -- What the run would have been charged with, and have lost of it, were this vessel in the other unit.
        gaps.charge_lpa + if(poured.sign < 0e0, poured.lpa * (unit.factor - 1e0), 0e0) as other_charge_lpa,
        gaps.gap_lpa - poured.sign * poured.lpa * (unit.factor - 1e0) as other_gap_lpa,
        gaps.run,
    from gaps
    inner join poured
        on poured.batch = gaps.batch
        and poured.run = gaps.run
    inner join as_kept
        on as_kept.file_id = poured.file_id
        and as_kept.line = poured.line
    cross join (values ('gal', 3.7854e0), ('L', 2.6417e-1)) as unit (symbol, factor)
    where
        (unit.symbol = 'gal') = as_kept.is_volume_kept
        and abs(gaps.gap_lpa - gaps.usual_gap_lpa) > 1.5e-1 * gaps.charge_lpa
),

vessels as (
    select * exclude (other_charge_lpa, other_gap_lpa, run)
    from run_vessels
    where abs(other_gap_lpa - 5e-2 * other_charge_lpa) < 3e-2 * other_charge_lpa
    qualify row_number() over (
        partition by batch, run
        order by abs(other_gap_lpa - 5e-2 * other_charge_lpa) / nullif(other_charge_lpa, 0e0), file_id, line
    ) = 1
),

usual_temperatures as (
    select
        step,
        cut,
        median(temperature_c) as usual_c,
    from log.batch_step
    group by step, cut
    having count(temperature_c) >= 8
),

far_temperatures as (
    select
        batch_step.file_id,
        batch_step.line,
        batch_step.batch,
        batch_step.temperature_c,
        usual.usual_c,
    from log.batch_step as batch_step
    inner join usual_temperatures as usual
        on usual.step = batch_step.step
        and usual.cut is not distinct from batch_step.cut
    where
        abs(batch_step.temperature_c - usual.usual_c) > 1.5e1
        and (
            abs((batch_step.temperature_c - 3.2e1) / 1.8e0 - usual.usual_c) < 7e0
            or abs(batch_step.temperature_c * 1.8e0 + 3.2e1 - usual.usual_c) < 7e0
        )
),

warm_or_cold as (
    select
        far.file_id,
        far.line,
        far.batch,
        'temperature' as column_name,
        printf('%.1f °C, where %.1f °C is usual', far.temperature_c, far.usual_c) as found,
        if(far.temperature_c > far.usual_c, 'F', 'C') as unit_that_fits,
        'this temperature' as of_what,
    from far_temperatures as far
    inner join as_kept
        on as_kept.file_id = far.file_id
        and as_kept.line = far.line
    where (far.temperature_c > far.usual_c) = as_kept.is_temperature_kept
),

suspects as (
    select * from masses
    union all
    select * from worts
    union all
    select * from washes
    union all
    select * from vessels
    union all
    select * from warm_or_cold
)

select
    file_id,
    line,
    batch,
    column_name,
    found,
    unit_that_fits || ' would fit ' || of_what as expected,
from suspects
order by file_id, line, column_name, found, expected
