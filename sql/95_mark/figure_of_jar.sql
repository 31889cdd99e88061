-- What:  which figures of a jar each problem of its run touches: those that the cell, or the whole row, goes into.
-- Note:  a jar's place in its run leans on the jars before it and on the charge; a strength that was not read, on the jars
--        beside it. A reading that the run's curve does not allow is a problem of its own row, like any other.
-- Grain: one row a jar, figure shown of it, kind of problem and line of a file.
-- From:  problem.place, problem.figure_of_run, log.batch_step, account.jar, metric.jar, fit.jar_expected
create or replace table problem.figure_of_jar as
-- A cell of the row of a jar goes into these figures of jars that lie so to it.
with goes_into (reach, log_columns, figures) as (
    values
    ('own', 'volume temperature', 'volume_l'),
    ('own', 'strength temperature', 'abv_20c_pct_vol inline_difference_pct_vol'),
    ('own', 'volume strength temperature', 'abv_pct_vol lpa lpa_frac_start lpa_frac_end from_cut_lpa_frac'),
    ('own', 'spout temperature', 'spout_abv_20c_pct_vol'),
    ('own', 'minutes', 'minutes_min'),
    ('own', 'when minutes', 'telemetry_minutes vapour_c kettle_c takeoff_per_min_l inline_abv_pct_vol inline_difference_pct_vol'),
    ('own, its volume off the curve', 'volume temperature', 'logged_value'),
    ('own, its strength off the curve', 'strength temperature', 'logged_value'),
    ('own, its spout off the curve', 'spout temperature', 'logged_value'),
    -- Jars of one cut are also tasted together, and a jar belongs to its cut.
    ('own', 'cut', 'abv_pct_vol from_cut_lpa_frac'),
    ('before', 'volume strength temperature', 'lpa_frac_start lpa_frac_end from_cut_lpa_frac'),
    ('beside one not read', 'volume strength temperature', 'abv_20c_pct_vol abv_pct_vol lpa'),
    ('just before one not timed', 'when', 'telemetry_minutes vapour_c kettle_c takeoff_per_min_l inline_abv_pct_vol inline_difference_pct_vol')
),

rows_of_jars as (
    select
        place.*,
        -- A row that is twice there, or not at all, is so with every cell it has.
        step.is_set_aside or coalesce(place.log_column in ('step', 'run'), false) as is_whole_row,
        jar.batch,
        jar.run,
        jar.jar_no,
        jar.is_small,
        jar.volume_20c_l is null as has_no_volume,
    from problem.place as place
    inner join log.batch_step as step
        on step.file_id = place.file_id
        and step.line = place.line
    inner join account.jar as jar
        on jar.file_id = step.file_id
        and jar.line = step.line
),

jars_of_runs as (
    select
        jar.batch,
        jar.run,
        jar.jar_no,
        jar.is_small,
        jar.strength_basis,
        jar.minutes_min,
        expected.suspect_column,
    from account.jar as jar
    left join fit.jar_expected as expected
        on expected.file_id = jar.file_id
        and expected.line = jar.line
    where jar.batch in (select batch from rows_of_jars)
),

reached as (
    select
        origin.* exclude (jar_no, is_small, has_no_volume),
        jar.jar_no,
        unnest([
            if(jar.jar_no = origin.jar_no, 'own', null),
            if(jar.jar_no = origin.jar_no, 'own, its ' || jar.suspect_column || ' off the curve', null),
            if(jar.jar_no > origin.jar_no, 'before', null),
            if(
                jar.jar_no != origin.jar_no
                and jar.strength_basis != 'measured'
                -- Without the volume of every jar none is known to be small, and none takes from those beside it.
                and (origin.has_no_volume or (abs(jar.jar_no - origin.jar_no) = 1 and jar.is_small and origin.is_small)),
                'beside one not read',
                null
            ),
            if(jar.jar_no = origin.jar_no + 1 and jar.minutes_min is null, 'just before one not timed', null)
        ]) as reach,
    from rows_of_jars as origin
    inner join jars_of_runs as jar
        on jar.batch = origin.batch
        and jar.run = origin.run
),

of_rows as (
    select
        reached.*,
        unnest(string_split(goes_into.figures, ' ')) as column_name,
    from reached
    inner join goes_into
        on goes_into.reach = reached.reach
        and (reached.is_whole_row or list_contains(string_split(goes_into.log_columns, ' '), reached.log_column))
),

-- Places in a run are shares of what was charged.
of_charges as (
    select
        jar.batch,
        jar.run,
        jar.jar_no,
        unnest(['lpa_frac_start', 'lpa_frac_end', 'from_cut_lpa_frac']) as column_name,
        figure.kind,
        figure.file,
        figure.line,
    from problem.figure_of_run as figure
    inner join account.jar as jar
        on jar.batch = figure.batch
        and jar.run = figure.run
    where figure.column_name = 'charge_lpa'
),

found as (
    select batch, run, jar_no, column_name, kind, file, line from of_rows
    union
    select batch, run, jar_no, column_name, kind, file, line from of_charges
)

select
    found.batch,
    found.run,
    found.jar_no,
    jar.cut,
    found.* exclude (batch, run, jar_no),
from found
inner join metric.jar as jar
    on jar.batch = found.batch
    and jar.run = found.run
    and jar.jar_no = found.jar_no
order by found.batch, found.run, found.jar_no, found.file, found.line, found.kind, found.column_name
