-- What:  every grain and sugar of every batch with the extract it can give.
-- Grain: one row a grain or sugar row of a batch log.
-- Part:  batch
-- From:  log.batch_step, log.ingredient
create or replace table account.fermentable as
with rows_with_ingredient as (
    select
        batch_step.file_id,
        batch_step.line,
        batch_step.batch,
        batch_step.step_no,
        batch_step.step,
        batch_step.happened_at,
        batch_step.item,
        batch_step.price,
        coalesce(ingredient.ingredient, batch_step.item) as ingredient,
        ingredient.kind,
        ingredient.basis,
        ingredient.extract_as_is_frac,
        ingredient.fermentable_frac,
        batch_step.mass_kg as logged_mass_kg,
        -- A syrup or juice logged by volume and gravity is its own analysis.
        extract_kg(batch_step.volume_l, batch_step.gravity_sg) as juice_extract_kg,
        batch_step.volume_l * density_kg_per_l_from_sg(batch_step.gravity_sg) as juice_mass_kg,
    from log.batch_step as batch_step
    left join log.ingredient as ingredient
        on ingredient.ingredient_key = batch_step.item_key
    where batch_step.step in ('grain', 'sugar')
)

select
    -- ids
    file_id,
    line,
    batch,
    step_no,
    -- text
    step,
    item,
    ingredient,
    kind,
    basis,
    -- numerics
    coalesce(logged_mass_kg, juice_mass_kg) as mass_kg,
    extract_as_is_frac,
    fermentable_frac,
    coalesce(juice_extract_kg, logged_mass_kg * extract_as_is_frac) as potential_extract_kg,
    price,
    -- timestamps
    happened_at,
from rows_with_ingredient
order by batch, step_no
