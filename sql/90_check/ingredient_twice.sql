-- What:  ingredients that the distiller's own lists give twice with other values: the last of them counts.
-- Grain: one row an analysis that another one takes the place of.
-- From:  raw.ingredient_value, raw.file
create or replace table problem.ingredient_twice as
with in_order as (
    select
        value.file_id,
        value.line,
        value.ingredient,
        value.extract_pct,
        value.moisture_pct,
        value.fermentable_pct,
        last_value(value.file_id) over whole as last_file_id,
        last_value(value.line) over whole as last_line,
        last_value(file.path) over whole as last_path,
        last_value(value.extract_pct) over whole as last_extract_pct,
        last_value(value.moisture_pct) over whole as last_moisture_pct,
        last_value(value.fermentable_pct) over whole as last_fermentable_pct,
    from raw.ingredient_value as value
    inner join raw.file as file
        on file.file_id = value.file_id
    where value.ingredient_key is not null
    window whole as (
        partition by value.ingredient_key
        order by value.file_id, value.line
        rows between unbounded preceding and unbounded following
    )
)

select
    file_id,
    line,
    null as batch,
    'ingredient' as column_name,
    printf('%s, with other values in line %d of %s', ingredient, last_line, last_path) as found,
    'each ingredient once; of two the last counts' as expected,
from in_order
where
    (file_id, line) != (last_file_id, last_line)
    and (
        extract_pct is distinct from last_extract_pct
        or moisture_pct is distinct from last_moisture_pct
        or fermentable_pct is distinct from last_fermentable_pct
    )
order by file_id, line
