-- What:  what each fermentable can give: the distiller's own analyses first, the built-in catalogue for the rest.
-- Grain: one row an ingredient name or alias (ingredient_key).
-- From:  raw.ingredient_value, raw.catalogue, raw.catalogue_alias
create or replace table log.ingredient as
with own_analyses as (
    select
        ingredient_key,
        ingredient,
        kind,
        extract_pct,
        moisture_pct,
        fermentable_pct,
        'own list' as basis,
        coalesce(string_split(cells_set_aside, ' '), []) as set_aside,
    from raw.ingredient_value
    qualify row_number() over (partition by ingredient_key order by file_id desc, line desc) = 1
),

catalogue_names as (
    select
        catalogue_alias.alias_key as ingredient_key,
        catalogue.ingredient,
        catalogue.kind,
        catalogue.extract_pct,
        catalogue.moisture_pct,
        catalogue.fermentable_pct,
        'catalogue' as basis,
    from raw.catalogue_alias as catalogue_alias
    inner join raw.catalogue as catalogue
        on catalogue.ingredient = catalogue_alias.ingredient
),

-- An own analysis that leaves a cell empty takes the catalogue's typical value for it; one whose cell was set aside
-- has a value that is not known.
own_completed as (
    select
        own_analyses.ingredient_key,
        own_analyses.ingredient,
        coalesce(own_analyses.kind, catalogue_names.kind) as kind,
        if(
            list_contains(own_analyses.set_aside, 'extract'), null, coalesce(own_analyses.extract_pct, catalogue_names.extract_pct)
        ) as extract_pct,
        if(
            list_contains(own_analyses.set_aside, 'moisture'), null, coalesce(own_analyses.moisture_pct, catalogue_names.moisture_pct)
        ) as moisture_pct,
        if(
            list_contains(own_analyses.set_aside, 'fermentable'), null, coalesce(own_analyses.fermentable_pct, catalogue_names.fermentable_pct)
        ) as fermentable_pct,
        own_analyses.basis,
    from own_analyses
    left join catalogue_names
        on catalogue_names.ingredient_key = own_analyses.ingredient_key
),

all_names as (
    select * from own_completed
    union all
    select * from catalogue_names
    where ingredient_key not in (select ingredient_key from own_analyses)
)

select
    -- text
    ingredient_key,
    ingredient,
    kind,
    basis,
    -- numerics
    extract_pct / 1e2 as extract_dry_frac,
    moisture_pct / 1e2 as moisture_frac,
    fermentable_pct / 1e2 as fermentable_frac,
    extract_pct / 1e2 * (1e0 - moisture_pct / 1e2) as extract_as_is_frac,
from all_names
order by ingredient_key
