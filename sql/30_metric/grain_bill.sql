-- What:  how each grain bill did: mean yield, its 95 % interval between batches, and how many batches stand behind it.
-- Grain: one row a season and grain_bill.
-- From:  metric.choice
create or replace table metric.grain_bill as
select * exclude (family) rename (choice as grain_bill),
from metric.choice
where family = 'grain bill'
order by season, yield_mean_lpa_per_kg desc nulls last, grain_bill
