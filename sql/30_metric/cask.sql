-- What:  every cask from its fill to the last time it was measured.
-- Note:  spirit drawn or bottled is moved, not lost; rates are compounded over the years. Soakage into the wood belongs
--        to the fill where a regauge some weeks after it is followed by another. The loss that the size alone would
--        lead to is 2 % a year of a 200 L cask (from memory; stores differ), scaled by surface over volume.
-- Grain: one row a cask.
-- From:  log.cask_step, account.move, account.lot, account.ancestry, account.cask_loss, raw.setting
create or replace table metric.cask as
with season_start as (
    select text_value as starts
    from raw.setting
    where name = 'season_starts'
),

described as (
    select
        cask,
        min(happened_at) filter (where step = 'fill') as filled_at,
        any_value(wood order by happened_at, path, line) as wood,
        any_value(toast order by happened_at, path, line) as toast,
        any_value(char order by happened_at, path, line) as char,
        any_value(capacity_l order by happened_at, path, line) as capacity_l,
        any_value(place order by happened_at desc, path desc, line desc) as place,
        any_value(previous order by happened_at, path, line) as previous,
        string_agg(distinct source, ' + ' order by source) filter (where step = 'fill') as source,
        bool_or(step = 'empty') as is_emptied,
    from log.cask_step
    group by cask
),

moves as (
    select
        *,
        regexp_replace(coalesce(if(kind in ('cask fill', 'cask top up'), to_lot, null), from_lot), '^cask ', '')
            as cask,
    from account.move
    where kind like 'cask %'
),

fills as (
    select
        cask,
        sum_where(volume_l, kind = 'cask fill') as fill_volume_l,
        sum_where(lpa, kind = 'cask fill') as fill_lpa,
        count(*) filter (where kind = 'cask top up') as top_ups,
        sum_where(lpa, kind = 'cask top up') as top_up_lpa,
        count(*) filter (where kind = 'cask draw') as draws,
        sum_where(lpa, kind = 'cask draw') as drawn_lpa,
        count(*) filter (where kind = 'cask bottle') as bottlings,
        sum_where(lpa, kind = 'cask bottle') as bottled_lpa,
    from moves
    group by cask
),

-- The last look at the cask: its content right after it, and when that was.
gauged as (
    select
        cask,
        happened_at as last_at,
        from_volume_after_l as last_volume_l,
        from_lpa_after as last_lpa,
    from moves
    where kind = 'cask gauge'
    qualify row_number() over (partition by cask order by move_id desc) = 1
),

-- What left the cask without being drawn: all that its measurements found less than the account had.
lost as (
    select
        cask,
        -fsum(adjustment_lpa) as loss_lpa,
        bool_or(kind in ('cask gauge', 'cask empty')) as is_measured,
        max(happened_at) filter (where kind in ('cask gauge', 'cask empty')) as until_at,
    from moves
    where kind in ('cask gauge', 'cask empty', 'cask draw', 'cask bottle')
    group by cask
),

origins as (
    select
        lower(lot) as lot_key,
        origin_words(batch, is_by_feints, is_pooled, share_frac) as origin,
    from account.ancestry
    where until_move_id is null and starts_with(lower(lot), 'cask ')
    group by lower(lot)
),

combined as (
    select
        described.*,
        fills.* exclude (cask),
        gauged.last_at,
        coalesce(gauged.last_volume_l, fills.fill_volume_l) as last_volume_l,
        coalesce(gauged.last_lpa, fills.fill_lpa) as last_lpa,
        if(lost.is_measured, lost.loss_lpa, null) as loss_lpa,
        date_diff('minute', described.filled_at, lost.until_at) / 5.25960e5 as years,
        lot.lpa as now_lpa,
        lot.volume_l as now_volume_l,
        lot.abv_pct_vol as now_abv_pct_vol,
    from described
    left join fills
        on fills.cask = described.cask
    left join gauged
        on gauged.cask = described.cask
    left join lost
        on lost.cask = described.cask
    left join account.lot as lot
        on lower(lot.lot) = 'cask ' || lower(described.cask)
)

select
    -- ids
    combined.cask,
    season_of(combined.filled_at, season_start.starts) as season,
    -- text
    combined.wood,
    combined.toast,
    combined.char,
    combined.place,
    combined.previous,
    combined.source,
    origins.origin,
    if(combined.is_emptied, 'emptied', 'in cask') as state,
    -- numerics
    combined.capacity_l,
    combined.fill_volume_l,
    1e2 * combined.fill_lpa / nullif(combined.fill_volume_l, 0e0) as fill_abv_pct_vol,
    combined.fill_lpa,
    if(combined.top_ups = 0, 0e0, combined.top_up_lpa) as topped_up_lpa,
    combined.last_volume_l,
    1e2 * combined.last_lpa / nullif(combined.last_volume_l, 0e0) as last_abv_pct_vol,
    combined.last_lpa,
    if(combined.draws = 0, 0e0, combined.drawn_lpa) as drawn_lpa,
    if(combined.bottlings = 0, 0e0, combined.bottled_lpa) as bottled_lpa,
    combined.loss_lpa,
    combined.years,
    1e2 * combined.last_lpa / nullif(combined.last_volume_l, 0e0)
        - 1e2 * combined.fill_lpa / nullif(combined.fill_volume_l, 0e0) as strength_change_pct_vol,
    combined.now_volume_l,
    combined.now_abv_pct_vol,
    combined.now_lpa,
    -- numerics: rates, forecast and standard uncertainties
    cask_loss.* exclude (lot, forecast_at, is_leaking),
    -- booleans
    cask_loss.is_leaking,
    -- timestamps
    cast(combined.filled_at as date) as filled_on,
    cast(combined.last_at as date) as last_on,
    cast(cask_loss.forecast_at as date) as forecast_on,
from combined
cross join season_start
left join origins
    on origins.lot_key = 'cask ' || lower(combined.cask)
left join account.cask_loss as cask_loss
    on cask_loss.lot = 'cask ' || lower(combined.cask)
order by combined.filled_at, combined.cask
