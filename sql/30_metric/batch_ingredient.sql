-- What:  what each batch was made of.
-- Grain: one row an ingredient of a batch (several sacks of one grain are one row).
-- Part:  batch
-- From:  account.fermentable, account.batch
create or replace table metric.batch_ingredient as
with ingredients as (
    select
        batch,
        ingredient,
        any_value(kind order by step_no) as kind,
        bool_or(step = 'sugar') as is_sugar,
        sum_all(mass_kg) as mass_kg,
        sum_all(potential_extract_kg) as potential_extract_kg,
    from account.fermentable
    group by batch, ingredient
)

select
    -- ids
    ingredients.batch,
    batch.season,
    -- text
    ingredients.ingredient,
    ingredients.kind,
    ingredients.is_sugar,
    -- numerics
    ingredients.mass_kg,
    ingredients.mass_kg
        / nullif(fsum(ingredients.mass_kg) over (partition by ingredients.batch), 0e0) as share_frac,
    ingredients.potential_extract_kg,
from ingredients
inner join account.batch as batch
    on batch.batch = ingredients.batch
order by batch, mass_kg desc nulls last, ingredient
