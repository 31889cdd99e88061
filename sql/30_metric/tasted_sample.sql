-- What:  every sample that was scored or described at a tasting, with what it was.
-- Note:  a jar tasted by itself is no batch's spirit: it has its jar's name for a lot, and no batch.
-- Grain: one row a session and sample.
-- From:  log.tasting_pour, log.score, raw.setting, account.move, metric.tasted_jar
create or replace table metric.tasted_sample as
with season_start as (
    select text_value as starts
    from raw.setting
    where name = 'season_starts'
),

poured as (
    select
        session,
        sample,
        any_value(batch order by assessor, pour_id) as batch,
        any_value(cask order by assessor, pour_id) as cask,
        any_value(lot order by assessor, pour_id) as lot,
        favg(abv_20c_pct_vol) as poured_pct_vol,
        min(happened_at) as happened_at,
    from log.tasting_pour
    where pour_id in (select pour_id from log.score where score is not null)
        or trim(coalesce(descriptors, ''), ' ;') <> ''
    group by session, sample
),

-- A cut's lot is its batch's: "12 hearts".
own_lots as (
    select
        lower(to_lot) as lot_key,
        any_value(batch order by batch) as batch,
    from account.move
    where kind = 'collect'
    group by lower(to_lot)
    having count(distinct batch) = 1
)

select
    -- ids
    season_of(poured.happened_at, season_start.starts) as season,
    poured.session,
    poured.sample,
    if(tasted_jar.label is null, coalesce(poured.batch, own_lots.batch), null) as batch,
    poured.cask,
    coalesce(tasted_jar.label, poured.lot) as lot,
    -- text
    coalesce(
        'cask ' || poured.cask,
        tasted_jar.label,
        poured.lot,
        'batch ' || poured.batch,
        'sample ' || poured.sample
    ) as label,
    -- numerics
    poured.poured_pct_vol,
    -- timestamps
    cast(poured.happened_at as date) as tasted_on,
from poured
cross join season_start
left join own_lots
    on own_lots.lot_key = lower(poured.lot)
left join metric.tasted_jar as tasted_jar
    on tasted_jar.session is not distinct from poured.session
    and tasted_jar.sample = poured.sample
order by poured.happened_at, poured.session, poured.sample
