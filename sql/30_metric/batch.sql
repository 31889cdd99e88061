-- What:  the figures of every batch, from grain to hearts.
-- Grain: one row a batch.
-- Part:  batch
-- From:  account.batch, account.batch_u, account.credit, account.wash, account.ferment, account.fermentable, account.run, account.jar, account.move, metric.run, metric.batch_ingredient, log.batch_step
create or replace table metric.batch as
with materials as (
    select
        batch,
        sum_all(if(step = 'grain', mass_kg, 0e0)) as grain_kg,
        sum_all(if(step = 'sugar', mass_kg, 0e0)) as sugar_kg,
        sum_all(if(step = 'grain', potential_extract_kg, 0e0)) as grain_potential_extract_kg,
        sum_all(potential_extract_kg) as potential_extract_kg,
        sum_all(if(step = 'grain', potential_extract_kg * fermentable_frac, 0e0)) as grain_fermentable_kg,
        sum_all(if(step = 'sugar', potential_extract_kg * fermentable_frac, 0e0)) as sugar_fermentable_kg,
        sum_all(price) as fermentables_cost,
    from account.fermentable
    group by batch
),

other_costs as (
    select
        batch,
        -- A price that could not be read, or a yeast's row that could not be used, leaves the cost unknown, not short.
        bool_or(
            coalesce(list_contains(string_split(cells_set_aside, ' '), 'price'), false)
            or (is_set_aside and step = 'yeast')
        ) as is_unknown,
        fsum(price) as cost,
    from log.batch_step
    where step not in ('grain', 'sugar')
    group by batch
),

bills as (
    select
        batch,
        any_value(ingredient order by share_frac desc, ingredient) as main_grain,
        string_agg(
            cast(cast(round(1e2 * share_frac) as integer) as varchar) || ' % ' || ingredient,
            ', '
            order by share_frac desc, ingredient
        ) as composition,
    from metric.batch_ingredient
    group by batch
),

runs as (
    select
        batch,
        count(*) as runs,
        sum_where(charge_lpa, run_kind = 'stripping') as strip_charge_lpa,
        sum_where(charge_lpa, run_kind = 'spirit') as spirit_charge_lpa,
        sum_where(charge_volume_l, run_kind = 'spirit') as spirit_charge_volume_l,
        sum_where(residue_lpa, run_kind = 'stripping') as pot_ale_lpa,
        sum_where(residue_lpa, run_kind = 'spirit') as spent_lees_lpa,
        sum_all(residue_lpa) as residue_lpa,
        sum_all(feints_charged_lpa) as feints_in_lpa,
        sum_all(charge_lpa - collected_lpa - coalesce(residue_lpa, 0e0)) as balance_gap_lpa,
    from account.run
    group by batch
),

spirit_runs as (
    select
        batch,
        -- With several spirit runs the cut strengths are their mean.
        favg(hearts_start_pct_vol) as hearts_start_pct_vol,
        favg(hearts_end_pct_vol) as hearts_end_pct_vol,
    from metric.run
    where run_kind = 'spirit'
    group by batch
),

cuts as (
    select
        batch,
        sum_where(lpa, cut = 'low wines') as low_wines_lpa,
        sum_where(volume_20c_l, cut = 'low wines') as low_wines_volume_l,
        sum_where(lpa, cut = 'foreshots') as foreshots_lpa,
        sum_where(lpa, cut = 'heads') as heads_lpa,
        sum_where(lpa, cut = 'hearts') as hearts_lpa,
        sum_where(volume_20c_l, cut = 'hearts') as hearts_volume_l,
        sum_where(lpa, cut = 'tails') as tails_lpa,
        sum_where(lpa, cut in ('heads', 'tails', 'feints')) as feints_collected_lpa,
        bool_or(cut in ('hearts', 'heads', 'tails', 'feints')) as has_cuts,
        count(*) filter (where cut in ('heads', 'tails', 'feints')) as feints_jars,
    from account.jar
    group by batch
),

-- Heads or tails thrown away are not feints kept; a shared receiver's discard is nobody's alone.
own_lots as (
    select
        to_lot as lot,
        any_value(batch) as batch,
    from account.move
    where kind = 'collect' and cut in ('heads', 'tails', 'feints')
    group by to_lot
    having count(distinct batch) = 1
),

thrown_away as (
    select
        own_lots.batch,
        sum_all(move.lpa) as discarded_lpa,
    from account.move as move
    inner join own_lots
        on own_lots.lot = move.from_lot
    where move.kind = 'discard'
    group by own_lots.batch
),

joined as (
    select
        batch.*,
        materials.grain_kg,
        materials.sugar_kg,
        materials.grain_potential_extract_kg,
        materials.potential_extract_kg,
        wash.sugar_extract_kg,
        coalesce(
            wash.wort_extract_kg, wash.wash_extract_kg - wash.sugar_extract_kg
        ) as grain_extract_kg,
        materials.grain_fermentable_kg / nullif(materials.grain_potential_extract_kg, 0e0) as grain_fermentable_frac,
        materials.sugar_fermentable_kg,
        if(
            coalesce(other_costs.is_unknown, false),
            null,
            materials.fermentables_cost + coalesce(other_costs.cost, 0e0)
        ) as cost,
        bills.main_grain,
        bills.composition,
        wash.wash_volume_l,
        wash.original_gravity_sg,
        wash.final_gravity_sg,
        wash.original_extract_plato,
        wash.apparent_extract_plato,
        wash.real_extract_plato,
        wash.wash_extract_kg,
        wash.wash_abv_pct_vol,
        wash.wash_lpa,
        ferment.ferment_days,
        ferment.rest_days,
        ferment.ferment_temperature_c,
        ferment.final_ph,
        runs.strip_charge_lpa,
        runs.spirit_charge_lpa,
        runs.spirit_charge_volume_l,
        runs.pot_ale_lpa,
        runs.spent_lees_lpa,
        runs.residue_lpa,
        runs.feints_in_lpa,
        runs.balance_gap_lpa,
        cuts.low_wines_lpa,
        cuts.low_wines_volume_l,
        cuts.foreshots_lpa,
        cuts.heads_lpa,
        cuts.hearts_lpa,
        cuts.hearts_volume_l,
        cuts.tails_lpa,
        case
            when not coalesce(cuts.has_cuts, false) then null
            when cuts.feints_jars = 0 then 0e0
            else cuts.feints_collected_lpa
                - if(thrown_away.batch is null, 0e0, thrown_away.discarded_lpa)
        end as feints_out_lpa,
        spirit_runs.hearts_start_pct_vol,
        spirit_runs.hearts_end_pct_vol,
        credit.net_spirit_lpa as credited_lpa,
        credit.estimated_lpa,
    from account.batch as batch
    left join account.credit as credit
        on credit.batch = batch.batch
    left join materials
        on materials.batch = batch.batch
    left join other_costs
        on other_costs.batch = batch.batch
    left join bills
        on bills.batch = batch.batch
    left join account.wash as wash
        on wash.batch = batch.batch
    left join account.ferment as ferment
        on ferment.batch = batch.batch
    left join runs
        on runs.batch = batch.batch
    left join spirit_runs
        on spirit_runs.batch = batch.batch
    left join cuts
        on cuts.batch = batch.batch
    left join thrown_away
        on thrown_away.batch = batch.batch
),

-- Whatever became of its alcohol, in its own hearts or by feints in another's, is the batch's; it can be told only
-- where its own runs were measured.
credited as (
    select
        *,
        if(hearts_lpa is null or feints_out_lpa is null or feints_in_lpa is null, null, credited_lpa) as net_spirit_lpa,
    from joined
)

select
    -- ids
    batch,
    season,
    -- text
    recipe,
    coalesce(recipe, composition) as grain_bill,
    composition,
    main_grain,
    yeast,
    operator,
    -- numerics: grain to wash
    grain_kg,
    sugar_kg,
    potential_extract_kg,
    grain_potential_extract_kg,
    sugar_extract_kg,
    grain_extract_kg,
    grain_extract_kg / nullif(grain_potential_extract_kg, 0e0) as mash_efficiency_frac,
    wash_volume_l,
    wash_extract_kg,
    original_gravity_sg,
    final_gravity_sg,
    original_extract_plato,
    real_extract_plato,
    (original_extract_plato - apparent_extract_plato)
        / nullif(original_extract_plato, 0e0) as apparent_attenuation_frac,
    (original_extract_plato - real_extract_plato)
        / nullif(original_extract_plato, 0e0) as real_attenuation_frac,
    wash_abv_pct_vol,
    wash_lpa,
    wash_lpa / nullif(
        max_lpa_per_kg_extract()
        * (grain_extract_kg * coalesce(grain_fermentable_frac, 0e0) + sugar_fermentable_kg),
        0e0
    ) as ferment_efficiency_frac,
    ferment_days,
    rest_days,
    ferment_temperature_c,
    final_ph,
    -- numerics: still
    strip_charge_lpa,
    low_wines_lpa,
    1e2 * low_wines_lpa / nullif(low_wines_volume_l, 0e0) as low_wines_abv_pct_vol,
    low_wines_lpa / nullif(strip_charge_lpa, 0e0) as strip_recovery_frac,
    spirit_charge_lpa,
    1e2 * spirit_charge_lpa / nullif(spirit_charge_volume_l, 0e0) as spirit_charge_abv_pct_vol,
    foreshots_lpa,
    heads_lpa,
    hearts_lpa,
    tails_lpa,
    pot_ale_lpa,
    spent_lees_lpa,
    residue_lpa,
    feints_in_lpa,
    feints_out_lpa,
    hearts_volume_l,
    1e2 * hearts_lpa / nullif(hearts_volume_l, 0e0) as hearts_abv_pct_vol,
    -- numerics: what it came to
    net_spirit_lpa,
    net_spirit_lpa / nullif(grain_kg + sugar_kg, 0e0) as yield_lpa_per_kg,
    if(net_spirit_lpa is null, null, estimated_lpa / nullif(net_spirit_lpa, 0e0)) as net_spirit_estimated_frac,
    hearts_lpa / nullif(grain_kg + sugar_kg, 0e0) as hearts_lpa_per_kg,
    foreshots_lpa / nullif(spirit_charge_lpa, 0e0) as foreshots_frac,
    heads_lpa / nullif(spirit_charge_lpa, 0e0) as heads_frac,
    hearts_lpa / nullif(spirit_charge_lpa, 0e0) as hearts_frac,
    tails_lpa / nullif(spirit_charge_lpa, 0e0) as tails_frac,
    hearts_start_pct_vol,
    hearts_end_pct_vol,
    balance_gap_lpa,
    cost / nullif(net_spirit_lpa, 0e0) as cost_per_lpa,
    -- numerics: standard uncertainties
    batch_u.* exclude (batch),
    -- timestamps
    cast(mashed_at as date) as mashed_on,
from credited
left join account.batch_u as batch_u
    using (batch)
order by mashed_on nulls last, batch
