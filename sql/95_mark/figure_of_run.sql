-- What:  which figures of a run each problem of its log touches: those that the cell, or the whole row, goes into.
-- Note:  a charge without a strength of its own takes its lot's: what touches that in problem.figure touches the run.
-- Grain: one row a run, figure of metric.run, kind of problem and line of a file.
-- From:  problem.place, problem.figure, log.batch_step, metric.run
create or replace table problem.figure_of_run as
-- A cell of a row of this step goes into these figures.
with goes_into (step, cut, log_columns, figures) as (
    values
    ('charge', null, 'volume temperature', 'charge_volume_l'),
    ('charge', null, 'volume strength temperature', 'charge_abv_pct_vol charge_lpa recovery_frac gap_lpa gap_frac residue_frac foreshots_frac heads_frac hearts_frac tails_frac feints_frac not_yet_cut_frac'),
    ('collect', null, 'volume temperature', 'collected_volume_l'),
    ('collect', null, 'volume strength temperature', 'collected_lpa recovery_frac gap_lpa gap_frac'),
    ('collect', 'foreshots', 'volume strength temperature cut', 'foreshots_frac'),
    ('collect', 'heads', 'volume strength temperature cut', 'heads_frac'),
    ('collect', 'hearts', 'volume strength temperature cut', 'hearts_frac hearts_start_pct_vol hearts_end_pct_vol'),
    ('collect', 'tails', 'volume strength temperature cut', 'tails_frac'),
    ('collect', 'feints', 'volume strength temperature cut', 'feints_frac'),
    ('collect', 'not yet cut', 'volume strength temperature cut', 'not_yet_cut_frac'),
    ('collect', null, 'spout temperature', 'last_spout_pct_vol hearts_start_pct_vol hearts_end_pct_vol'),
    ('collect', null, 'minutes', 'minutes_min'),
    ('residue', null, 'volume strength temperature', 'residue_lpa residue_frac gap_lpa gap_frac')
),

rows_of_runs as (
    select
        place.kind,
        place.file,
        place.line,
        place.log_column,
        step.batch,
        step.run,
        step.step,
        if(step.step = 'collect', coalesce(step.cut, 'not yet cut'), step.cut) as cut,
        -- A row that is twice there, or not at all, is so with every cell it has.
        step.is_set_aside or coalesce(place.log_column in ('step', 'run'), false) as is_whole_row,
    from problem.place as place
    inner join log.batch_step as step
        on step.file_id = place.file_id
        and step.line = place.line
    where step.run is not null
),

of_rows as (
    select
        rows_of_runs.*,
        unnest(string_split(goes_into.figures, ' ')) as column_name,
    from rows_of_runs
    inner join goes_into
        on goes_into.step = rows_of_runs.step
        and coalesce(goes_into.cut = rows_of_runs.cut, true)
        and (
            rows_of_runs.is_whole_row
            or list_contains(string_split(goes_into.log_columns, ' '), rows_of_runs.log_column)
        )
),

-- What a charge takes from gravities or from the vessel that it is drawn from.
of_lots as (
    select
        figure.batch,
        run.run,
        unnest([
            'charge_abv_pct_vol', 'charge_lpa', 'recovery_frac', 'gap_lpa', 'gap_frac', 'residue_frac',
            'foreshots_frac', 'heads_frac', 'hearts_frac', 'tails_frac', 'feints_frac', 'not_yet_cut_frac'
        ]) as column_name,
        figure.kind,
        figure.file,
        figure.line,
    from problem.figure as figure
    inner join metric.run as run
        on run.batch = figure.batch
        and figure.column_name = if(run.run_kind = 'stripping', 'strip_charge_lpa', 'spirit_charge_lpa')
    anti join rows_of_runs
        on rows_of_runs.file = figure.file
        and rows_of_runs.line = figure.line
        and rows_of_runs.step = 'charge'
),

found as (
    select batch, run, column_name, kind, file, line from of_rows
    union
    select batch, run, column_name, kind, file, line from of_lots
)

select found.*
from found
semi join metric.run as run
    on run.batch = found.batch
    and run.run = found.run
order by found.batch, found.run, found.file, found.line, found.kind, found.column_name
