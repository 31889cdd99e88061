-- What:  how the batches of each yeast did: mean yield, its 95 % interval between batches, and how many batches stand behind it.
-- Grain: one row a season and yeast.
-- From:  metric.choice
create or replace table metric.yeast as
select * exclude (family, composition) rename (choice as yeast),
from metric.choice
where family = 'yeast'
order by season, yield_mean_lpa_per_kg desc nulls last, yeast
