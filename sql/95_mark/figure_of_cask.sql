-- What:  which figures of a cask each problem touches: of its own log, and of what it was filled with.
-- Note:  a fill without a strength of its own takes its lot's: what touches the hearts of a batch that has a twentieth or
--        more of the alcohol in it touches the cask.
-- Grain: one row a cask, figure of metric.cask, kind of problem and line of a file.
-- From:  problem.place, problem.figure, raw.cask_value, log.cask_step, account.lot, account.move, account.spirit_share, metric.cask
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
        place.kind,
        place.file,
        place.line,
        unnest(string_split(goes_into.figures || ' ' || after.figures, ' ')) as column_name,
    from problem.place as place
    inner join log.cask_step as step
        on step.file_id = place.file_id
        and step.line = place.line
    inner join goes_into
        on goes_into.step = step.step
        and (
            step.is_set_aside
            or place.log_column = 'step'
            or list_contains(string_split(goes_into.log_columns, ' '), place.log_column)
        )
    cross join after
),

of_sizes as (
    select
        step.cask,
        place.kind,
        place.file,
        place.line,
        unnest(['capacity_l', 'predicted_loss_frac_per_year']) as column_name,
    from problem.place as place
    inner join log.cask_step as step
        on step.file_id = place.file_id
        and step.line = place.line
    where place.log_column = 'capacity'
),

-- Fills and top-ups whose strength is that of the lot they were drawn from.
by_lot as (
    select
        step.cask,
        if(step.step = 'fill', 'fill_abv_pct_vol fill_lpa strength_change_pct_vol', 'topped_up_lpa') as figures,
        lower(move.from_lot) as lot_key,
        move.move_id,
    from log.cask_step as step
    inner join raw.cask_value as value
        on value.file_id = step.file_id
        and value.line = step.line
    inner join account.move as move
        on move.file_id = step.file_id
        and move.line = step.line
    where step.step in ('fill', 'top up') and value.strength_reading is null
),

-- Whose spirit those lots held then. Over a season of marrying vats and topped-up casks every batch has a trace in every
-- cask: what is less than a twentieth moves nothing that could be seen (own choice, as in problem.figure).
makers as (
    select
        by_lot.cask,
        by_lot.figures,
        share.batch,
    from by_lot
    inner join account.spirit_share as share
        on lower(share.lot) = by_lot.lot_key
        and share.move_id < by_lot.move_id
        and coalesce(share.until_move_id >= by_lot.move_id, true)
    -- Of a lot that no strength is known of, every part is missing.
    where share.batch is not null and (share.share_frac >= 5e-2 or share.lpa is null)
    union
    -- A batch's own lot is its own, even where nothing of it could be told.
    select
        by_lot.cask,
        by_lot.figures,
        lot.batch,
    from by_lot
    inner join account.lot as lot
        on lower(lot.lot) = by_lot.lot_key
    where lot.batch is not null
),

of_lots as (
    select
        makers.cask,
        figure.kind,
        figure.file,
        figure.line,
        unnest(string_split(makers.figures || ' ' || after.figures, ' ')) as column_name,
    from makers
    inner join problem.figure as figure
        on figure.batch = makers.batch
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
