-- What:  the batches of the season: when, what it was meant to be, with which yeast.
-- Grain: one row a batch.
-- Part:  batch
-- From:  log.batch_step, raw.setting
create or replace table account.batch as
with season_start as (
    select text_value as starts
    from raw.setting
    where name = 'season_starts'
),

batches as (
    select
        batch,
        any_value(file_id order by step_no) as file_id,
        any_value(line order by step_no) as line,
        min(happened_at) as begun_at,
        coalesce(
            min(happened_at) filter (where step in ('mash', 'grain', 'sugar', 'wort')),
            min(happened_at)
        ) as mashed_at,
        any_value(item order by step_no) filter (where step = 'recipe') as recipe,
        string_agg(distinct item, ' + ' order by item) filter (where step = 'yeast') as yeast,
        min(happened_at) filter (where step = 'yeast') as pitched_at,
        min(happened_at) filter (where step = 'charge' and item = 'wash') as first_charged_at,
        any_value(operator order by step_no) as operator,
    from log.batch_step
    group by batch
)

select
    -- ids
    batches.batch,
    batches.file_id,
    batches.line,
    season_of(batches.mashed_at, season_start.starts) as season,
    -- text
    batches.recipe,
    batches.yeast,
    batches.operator,
    -- timestamps
    batches.begun_at,
    batches.mashed_at,
    batches.pitched_at,
    batches.first_charged_at,
from batches
cross join season_start
order by begun_at nulls first, file_id, line
