-- What:  what is to be explained: yields, fractions, cost and scores, each with its standard uncertainty of measurement.
-- Note:  a figure's uncertainty is the account's own; a score is the panel's, adjusted for who tasted what, where that can be done.
-- Grain: one row a unit (batch or tasted cask) and response.
-- From:  metric.batch, fit.sample_mean
create or replace table fit.response as
with of_batches as (
    select
        batch,
        unnest(
            [
                {response: 'mash_efficiency_frac', value: mash_efficiency_frac, value_u: mash_efficiency_frac_u},
                {response: 'real_attenuation_frac', value: real_attenuation_frac, value_u: real_attenuation_frac_u},
                {
                    response: 'ferment_efficiency_frac',
                    value: ferment_efficiency_frac,
                    value_u: ferment_efficiency_frac_u
                },
                {response: 'yield_lpa_per_kg', value: yield_lpa_per_kg, value_u: yield_lpa_per_kg_u},
                {response: 'hearts_lpa_per_kg', value: hearts_lpa_per_kg, value_u: hearts_lpa_per_kg_u},
                {response: 'hearts_frac', value: hearts_frac, value_u: hearts_frac_u},
                {
                    response: 'cost_per_lpa',
                    value: cost_per_lpa,
                    value_u: cost_per_lpa * net_spirit_lpa_u / nullif(net_spirit_lpa, 0e0)
                }
            ],
            recursive := true
        ),
    from metric.batch
),

adjusted as (
    select
        if(cask is null, 'batch', 'cask') as unit_kind,
        coalesce(cask, batch) as unit,
        'score: ' || lower(attribute) as response,
        coalesce(panel_mean, score_raw_mean) as score,
        panel_mean_se,
    from fit.sample_mean
    where coalesce(cask, batch) is not null
),

of_scores as (
    select
        unit_kind,
        unit,
        response,
        favg(score) as value,
        sqrt(fsum(power(panel_mean_se, 2))) / nullif(count(panel_mean_se), 0) as value_u,
    from adjusted
    where score is not null
    group by unit_kind, unit, response
)

select
    -- ids
    'batch' as unit_kind,
    batch as unit,
    -- text
    response,
    -- numerics
    value,
    value_u,
from of_batches
where value is not null
union all
select unit_kind, unit, response, value, value_u from of_scores
order by unit_kind, response, unit
