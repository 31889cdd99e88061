-- What:  batches with a main figure far from the rest of the season's.
-- Note:  far is six times the median absolute deviation (taken as a standard deviation), and a tenth of the median.
-- Grain: one row a problem found.
-- From:  metric.batch, log.batch_step
create or replace table problem.figure_unusual as
with figures as (
    select
        season,
        batch,
        unnest([
            {label: 'mash efficiency', step: 'grain', value: mash_efficiency_frac},
            {label: 'share of the wash''s sugar fermented', step: 'wash', value: real_attenuation_frac},
            {label: 'alcohol recovered in stripping', step: 'collect', value: strip_recovery_frac},
            {label: 'net spirit over what the wash held', step: 'collect', value: net_spirit_lpa / nullif(wash_lpa, 0e0)}
        ], recursive := true),
    from metric.batch
),

middles as (
    select
        *,
        median(value) over (partition by season, label) as middle,
        count(value) over (partition by season, label) as batches,
    from figures
),

spread as (
    select
        *,
        1.4826e0 * median(abs(value - middle)) over (partition by season, label) as spread,
    from middles
),

first_rows as (
    select
        batch,
        step,
        any_value(file_id order by step_no) as file_id,
        any_value(line order by step_no) as line,
    from log.batch_step
    group by batch, step
)

select
    first_rows.file_id,
    first_rows.line,
    spread.batch,
    'batch' as column_name,
    printf('%s %.0f %%', spread.label, 1e2 * spread.value) as found,
    printf('about %.0f %%, as in the other %d batches of the season', 1e2 * spread.middle, spread.batches - 1) as expected,
from spread
inner join first_rows
    on first_rows.batch = spread.batch
    and first_rows.step = spread.step
where
    spread.batches >= 8
    and abs(spread.value - spread.middle) > greatest(6e0 * spread.spread, 1e-1 * abs(spread.middle))
order by first_rows.file_id, first_rows.line
