-- What:  the choices behind every batch as the fits take them: when, where, with what, how warm, how cut.
-- Note:  a temperature is the mean over the batch's rests (58 to 74 °C, so that a cook is no rest; common practice, no source).
-- Grain: one row a batch.
-- From:  metric.batch, metric.run, account.batch, log.batch_step
create or replace table fit.design as
with mashes as (
    select
        batch,
        favg(temperature_c) as mash_temperature_c,
    from log.batch_step
    where step = 'mash' and temperature_c between 58e0 and 74e0
    group by batch
),

pitches as (
    select
        batch,
        fsum(mass_kg) as yeast_kg,
    from log.batch_step
    where step = 'yeast'
    group by batch
    having count(*) = count(mass_kg)
),

stills as (
    select
        batch,
        any_value(still order by started_at, run) as still,
    from metric.run
    where still is not null
    group by batch
)

select
    -- ids
    batch.batch,
    batch.season,
    row_number() over (order by account_batch.begun_at nulls first, account_batch.file_id, account_batch.line) as batch_no,
    -- text
    batch.grain_bill,
    coalesce(batch.yeast, 'not logged') as yeast,
    stills.still,
    -- numerics
    mashes.mash_temperature_c,
    batch.ferment_temperature_c,
    -- Not per litre of wash: an error in that volume is an error in every yield from it as well.
    1e3 * pitches.yeast_kg / nullif(batch.grain_kg + batch.sugar_kg, 0e0) as pitch_g_per_kg,
    batch.rest_days,
    batch.spirit_charge_abv_pct_vol,
    batch.feints_in_lpa / nullif(batch.spirit_charge_lpa, 0e0) as feints_share_frac,
    batch.hearts_start_pct_vol,
    batch.hearts_end_pct_vol,
    -- timestamps
    batch.mashed_on,
from metric.batch as batch
inner join account.batch as account_batch
    on account_batch.batch = batch.batch
left join mashes
    on mashes.batch = batch.batch
left join pitches
    on pitches.batch = batch.batch
left join stills
    on stills.batch = batch.batch
order by batch_no
