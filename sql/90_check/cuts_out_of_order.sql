-- What:  jars whose cut comes before that of the jar filled before them.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.jar
create or replace table problem.cuts_out_of_order as
with ranked as (
    select
        *,
        list_position(['foreshots', 'heads', 'hearts', 'tails'], cut) as cut_rank,
    from account.jar
    where cut in ('foreshots', 'heads', 'hearts', 'tails')
),

with_before as (
    select
        *,
        lag(cut) over run_order as cut_before,
        lag(cut_rank) over run_order as rank_before,
    from ranked
    window run_order as (partition by batch, run order by jar_no)
)

select
    file_id,
    line,
    batch,
    'cut' as column_name,
    cut || ' after ' || cut_before as found,
    'foreshots, heads, hearts, tails, in this order; heads and tails kept together are feints' as expected,
from with_before
where cut_rank < rank_before
order by file_id, line
