-- What:  every pour of the tasting sheets, with what was in the glass from the sheet or from its key.
-- Grain: one row a pour (pour_id): one assessor, one sample, one session.
-- From:  raw.tasting_value, raw.tasting_key_value
create or replace table log.tasting_pour as
with keys as (
    select
        session,
        sample,
        batch,
        cask,
        lot,
    from raw.tasting_key_value
    qualify row_number() over (partition by session, sample order by file_id desc, line desc) = 1
)

select
    -- ids
    tasting_value.pour_id,
    tasting_value.file_id,
    tasting_value.line,
    -- text
    tasting_value.session,
    tasting_value.assessor,
    tasting_value.sample,
    coalesce(tasting_value.batch, keys.batch) as batch,
    coalesce(tasting_value.cask, keys.cask) as cask,
    coalesce(tasting_value.lot, keys.lot) as lot,
    tasting_value.descriptors,
    tasting_value.note,
    -- numerics
    abv_from_logged(tasting_value.strength_reading, tasting_value.strength_unit, null) as abv_20c_pct_vol,
    tasting_value.serving_order,
    -- timestamps
    tasting_value.logged_at as happened_at,
from raw.tasting_value as tasting_value
left join keys
    on keys.session = tasting_value.session
    and keys.sample = tasting_value.sample
order by tasting_value.pour_id
