-- What:  which figures of a thermometer's reading, and of the strength it is held against, each problem of its row touches.
-- Note:  the run's curve leans on all its jars and on none in particular: it carries no mark.
-- Grain: one row a thermometer reading (file_id, logged_line, thermometer), figure of fit.boiling, kind and line of a file.
-- From:  problem.place, problem.figure_of_run, log.batch_step, fit.boiling
create or replace table problem.figure_of_thermometer as
with goes_into (thermometer, compared_with, log_columns, figures) as (
    values
    ('kettle', null, 'kettle', 'temperature_c boiling_abv_pct_vol boiling_abv_pct_vol_u temperature_difference_c boiling_z'),
    ('vapour', null, 'vapour', 'temperature_c boiling_abv_pct_vol boiling_abv_pct_vol_u temperature_difference_c boiling_z'),
    (null, null, 'barometer', 'barometer_hpa boiling_abv_pct_vol boiling_abv_pct_vol_u temperature_difference_c boiling_z'),
    (null, 'the spout as read', 'spout temperature', 'compared_abv_pct_vol temperature_difference_c boiling_z')
),

of_rows as (
    select
        boiling.file_id,
        boiling.line as logged_line,
        boiling.thermometer,
        unnest(string_split(goes_into.figures, ' ')) as column_name,
        place.kind,
        place.file,
        place.line,
    from problem.place as place
    inner join log.batch_step as step
        on step.file_id = place.file_id
        and step.line = place.line
    inner join fit.boiling as boiling
        on boiling.file_id = place.file_id
        and boiling.line = place.line
    inner join goes_into
        on coalesce(goes_into.thermometer = boiling.thermometer, true)
        and coalesce(goes_into.compared_with = boiling.compared_with, goes_into.compared_with is null)
        and (step.is_set_aside or list_contains(string_split(goes_into.log_columns, ' '), place.log_column))
),

of_charges as (
    select
        boiling.file_id,
        boiling.line as logged_line,
        boiling.thermometer,
        unnest(['compared_abv_pct_vol', 'temperature_difference_c', 'boiling_z']) as column_name,
        figure.kind,
        figure.file,
        figure.line,
    from problem.figure_of_run as figure
    inner join fit.boiling as boiling
        on boiling.batch = figure.batch
        and boiling.run = figure.run
        and boiling.compared_with = 'the charge as logged'
    where figure.column_name = 'charge_abv_pct_vol'
),

found as (
    select * from of_rows
    union
    select * from of_charges
)

select found.*
from found
order by found.file_id, found.logged_line, found.thermometer, found.file, found.line, found.kind, found.column_name
