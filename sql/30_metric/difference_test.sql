-- What:  how often a difference was found in each blind comparison, and how often guessing would do as well.
-- Grain: one row a session, test and pair of samples.
-- From:  log.difference_trial, raw.setting
create or replace table metric.difference_test as
with season_start as (
    select text_value as starts
    from raw.setting
    where name = 'season_starts'
),

counted as (
    select
        session,
        test,
        sample_a,
        sample_b,
        min(happened_at) as happened_at,
        count(*) as trials,
        count(*) filter (where is_correct) as correct,
        -- One of three, or one of two, by guessing.
        if(test = 'triangle', 1e0 / 3e0, 5e-1) as chance_frac,
    from log.difference_trial
    where is_correct is not null
    group by session, test, sample_a, sample_b
)

select
    -- ids
    season_of(counted.happened_at, season_start.starts) as season,
    counted.session,
    counted.test,
    counted.sample_a,
    counted.sample_b,
    -- numerics
    counted.trials,
    counted.correct,
    counted.chance_frac,
    binomial_tail(counted.correct, counted.trials, counted.chance_frac) as p_value,
    -- timestamps
    cast(counted.happened_at as date) as tasted_on,
from counted
cross join season_start
order by counted.happened_at, counted.session, counted.test, counted.sample_a, counted.sample_b
