-- What:  the main figures that a batch does not have, and what was missing from its log.
-- Grain: one row a batch and figure that could not be computed.
-- Part:  batch
-- From:  metric.batch, account.batch
create or replace table metric.left_out as
with figures as (
    select
        season,
        batch,
        unnest([
            {column_name: 'potential_extract_kg', is_missing: potential_extract_kg is null, reason: 'a grain or sugar without its mass, or not in the catalogue nor in your own ingredient list'},
            {column_name: 'mash_efficiency_frac', is_missing: mash_efficiency_frac is null, reason: 'needs every wort''s volume and gravity, and every grain''s extract'},
            {column_name: 'wash_lpa', is_missing: wash_lpa is null, reason: 'needs an original and a final gravity, and a volume of wort or wash'},
            {column_name: 'low_wines_lpa', is_missing: low_wines_lpa is null, reason: 'needs volume and strength of every low wines vessel'},
            {column_name: 'spirit_charge_lpa', is_missing: spirit_charge_lpa is null, reason: 'needs volume of every charge, and its strength or that of its lot'},
            {column_name: 'hearts_lpa', is_missing: hearts_lpa is null, reason: 'needs volume and strength of every hearts vessel, or of small jars on both sides of it'},
            {column_name: 'net_spirit_lpa', is_missing: net_spirit_lpa is null, reason: 'needs hearts, and the feints charged and kept'}
        ], recursive := true),
    from metric.batch
)

select
    -- ids
    figures.season,
    figures.batch,
    -- text
    figures.column_name,
    figures.reason,
from figures
inner join account.batch as batch
    on batch.batch = figures.batch
where figures.is_missing
order by batch, column_name
