-- What:  which figures of a cask each problem touches: of its own log, and of what it was filled with.
-- Note:  a fill without a strength of its own takes its lot's: what touches the hearts of a batch in it touches the cask.
-- Grain: one row a cask, figure of metric.cask, kind of problem and line of a file.
-- From:  problem.row, problem.figure, raw.file, raw.cask_value, log.cask_step, account.lot, metric.cask
create or replace table problem.figure_of_cask as
-- A cell of a row of this step goes into these figures, and each into what was lost.
with goes_into (step, log_columns, figures) as (
    values
    ('fill', 'volume mass strength temperature when', 'fill_volume_l fill_abv_pct_vol fill_lpa strength_change_pct_vol'),
    ('top up', 'volume mass strength temperature when', 'topped_up_lpa'),
    ('gauge', 'volume mass strength temperature when', 'last_volume_l last_abv_pct_vol last_lpa strength_change_pct_vol'),
    ('draw', 'volume mass strength temperature when', 'drawn_lpa'),
    ('bottle', 'volume mass strength temperature when', 'bottled_lpa'),
    ('empty', 'volume mass strength temperature when', 'last_volume_l last_abv_pct_vol last_lpa')
),

after (figures) as (
    values ('now_volume_l now_abv_pct_vol now_lpa loss_lpa loss_frac_per_year water_loss_frac_per_year volume_loss_frac_per_year soakage_lpa soakage_l drift_pct_vol_per_year forecast_lpa forecast_volume_l forecast_abv_pct_vol')
),

of_rows as (
    select
        step.cask,
        row.kind,
        row.file,
        row.line,
        unnest(string_split(goes_into.figures || ' ' || after.figures, ' ')) as column_name,
    from problem.row as row
    inner join raw.file as file
        on file.path = row.file
    inner join log.cask_step as step
        on step.file_id = file.file_id
        and step.line = row.line
    inner join goes_into
        on goes_into.step = step.step
        and (
            step.is_set_aside
            or row.log_column = 'step'
            or list_contains(string_split(goes_into.log_columns, ' '), row.log_column)
        )
    cross join after
),

of_sizes as (
    select
        step.cask,
        row.kind,
        row.file,
        row.line,
        unnest(['capacity_l', 'predicted_loss_frac_per_year']) as column_name,
    from problem.row as row
    inner join raw.file as file
        on file.path = row.file
    inner join log.cask_step as step
        on step.file_id = file.file_id
        and step.line = row.line
    where row.log_column = 'capacity'
),

-- Fills whose strength is that of the lot they were drawn from.
by_lot as (
    select distinct
        step.cask,
        lot.batch,
    from log.cask_step as step
    inner join raw.cask_value as value
        on value.file_id = step.file_id
        and value.line = step.line
    inner join account.lot as lot
        on lower(trim(lot.lot)) = lower(trim(step.source))
    where step.step = 'fill' and value.strength_reading is null and lot.batch is not null
),

of_lots as (
    select
        by_lot.cask,
        figure.kind,
        figure.file,
        figure.line,
        unnest(string_split('fill_abv_pct_vol fill_lpa strength_change_pct_vol ' || after.figures, ' ')) as column_name,
    from by_lot
    inner join problem.figure as figure
        on figure.batch = by_lot.batch
        and figure.column_name = 'hearts_abv_pct_vol'
    cross join after
),

found as (
    select cask, column_name, kind, file, line from of_rows
    union
    select cask, column_name, kind, file, line from of_sizes
    union
    select cask, column_name, kind, file, line from of_lots
)

select found.*
from found
semi join metric.cask as cask
    on cask.cask = found.cask
order by found.cask, found.file, found.line, found.kind, found.column_name
