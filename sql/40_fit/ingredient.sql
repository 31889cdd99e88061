-- What:  the fermentables of the season as the fits take them: rare ones pooled by kind, what a mash needs of them, their price.
-- Note:  used in fewer than three batches, an ingredient cannot be judged alone and counts with the others of its kind.
-- Grain: one row an ingredient used.
-- From:  metric.batch_ingredient, log.batch_step, log.ingredient, raw.catalogue, raw.catalogue_alias, account.fermentable
create or replace table fit.ingredient as
with used as (
    select
        ingredient,
        any_value(kind order by batch) as kind,
        bool_or(is_sugar) as is_sugar,
        count(distinct batch) as batches,
    from metric.batch_ingredient
    group by ingredient
),

catalogued as (
    select
        log_ingredient.ingredient,
        bool_or(catalogue.has_enzymes) as has_enzymes,
        bool_or(catalogue.needs_cooking) as needs_cooking,
    from log.batch_step as batch_step
    inner join log.ingredient as log_ingredient
        on log_ingredient.ingredient_key = batch_step.item_key
    inner join raw.catalogue_alias as catalogue_alias
        on catalogue_alias.alias_key = batch_step.item_key
    inner join raw.catalogue as catalogue
        on catalogue.ingredient = catalogue_alias.ingredient
    where batch_step.step in ('grain', 'sugar')
    group by log_ingredient.ingredient
),

paid as (
    select
        ingredient,
        fsum(price) / nullif(fsum(mass_kg), 0e0) as price_per_kg,
    from account.fermentable
    where price is not null and mass_kg is not null
    group by ingredient
)

select
    -- text
    used.ingredient,
    used.kind,
    if(used.batches < 3, 'other ' || coalesce(used.kind, 'ingredients'), used.ingredient) as design_name,
    -- numerics
    used.batches,
    used.is_sugar,
    -- An ingredient of nobody's catalogue: a malt is taken to hold enzymes, anything else not.
    coalesce(catalogued.has_enzymes, coalesce(used.kind, '') = 'malt') as has_enzymes,
    coalesce(catalogued.needs_cooking, coalesce(used.kind, '') = 'unmalted grain') as needs_cooking,
    paid.price_per_kg,
from used
left join catalogued
    on catalogued.ingredient = used.ingredient
left join paid
    on paid.ingredient = used.ingredient
order by used.ingredient
