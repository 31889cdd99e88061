-- What:  every tasted sample that was a jar of one run, or one run's heads or tails, and not a batch's spirit.
-- Note:  the sheet names the collect row's lot, or its item with the batch ('jar 7' of batch 12; '12 jar 7'; '12 spirit
--        jar 7'). A name that several runs' jars bear says nothing of one of them and is left as it is.
-- Grain: one row a session and sample.
-- From:  log.tasting_pour, account.jar, metric.jar
create or replace table metric.tasted_jar as
with named as (
    select
        session,
        sample,
        any_value(lower(trim(lot)) order by pour_id) as lot_key,
        any_value(lower(batch) order by pour_id) as batch_key,
    from log.tasting_pour
    where lot is not null and cask is null
    group by session, sample
),

-- Every way to name a jar, shortest first; the lot of a jar that names none is its batch's cut.
names as (
    select
        batch,
        run,
        jar_no,
        cut,
        unnest([
            lower(coalesce(lot, batch || ' ' || cut)),
            lower(item),
            lower(batch || ' ' || item),
            lower(batch || ' ' || run || ' ' || item)
        ]) as name_key,
        unnest([false, true, false, false]) as needs_batch,
    from account.jar
    where cut is not null and cut <> 'low wines'
),

found as (
    select distinct
        named.session,
        named.sample,
        names.batch,
        names.run,
        names.jar_no,
        names.cut,
    from named
    inner join names
        on names.name_key = named.lot_key
        and (lower(names.batch) = named.batch_key or (named.batch_key is null and not names.needs_batch))
),

-- One jar, or the heads or tails of one run.
of_one_run as (
    select
        session,
        sample,
        any_value(batch) as batch,
        any_value(run) as run,
        any_value(cut) as cut,
        min(jar_no) as first_jar_no,
        max(jar_no) as last_jar_no,
        count(*) as jars,
    from found
    group by session, sample
    having count(distinct (batch, run, cut)) = 1
        and (count(*) = 1 or any_value(cut) <> 'hearts')
)

select
    -- ids
    one.session,
    one.sample,
    one.batch,
    one.run,
    if(one.jars = 1, one.first_jar_no, null) as jar_no,
    -- text
    one.cut,
    one.batch || ' ' || one.run
    || if(one.jars = 1, ' jar ' || one.first_jar_no, '')
    || ' (' || one.cut || ')' as label,
    -- numerics
    one.jars,
    sum_all(jar.volume_l) as volume_l,
    1e2 * sum_all(jar.lpa) / nullif(sum_all(jar.volume_l), 0e0) as abv_pct_vol,
    any_value(jar.lpa_frac_start order by jar.jar_no) as lpa_frac_start,
    any_value(jar.lpa_frac_end order by jar.jar_no desc) as lpa_frac_end,
from of_one_run as one
inner join metric.jar as jar
    on jar.batch = one.batch
    and jar.run = one.run
    and jar.jar_no between one.first_jar_no and one.last_jar_no
    and jar.cut = one.cut
-- A jar that was the whole of a run's hearts is the batch's spirit.
where one.cut <> 'hearts'
    or (
        select count(*)
        from metric.jar as other
        where other.batch = one.batch and other.run = one.run and other.cut = 'hearts'
    ) > 1
group by all
order by one.session, one.sample
