-- What:  what each batch's fermenter held: extract at the start, alcohol at the end, by Balling's balance.
-- Grain: one row a batch that logged worts or gravities.
-- Part:  batch
-- From:  log.batch_step, account.logged_row, account.wort, account.fermentable
create or replace table account.wash as
with first_charge as (
    select
        batch,
        min(step_no) as step_no,
    from log.batch_step
    where step = 'charge' and item = 'wash'
    group by batch
),

readings as (
    select
        batch_step.*,
        logged_row.volume_20c_l,
        row_number() over (partition by batch_step.batch order by batch_step.step_no) as reading_no,
        row_number() over (partition by batch_step.batch order by batch_step.step_no desc) as reading_no_from_end,
    from log.batch_step as batch_step
    inner join account.logged_row as logged_row
        on logged_row.file_id = batch_step.file_id
        and logged_row.line = batch_step.line
    left join first_charge
        on first_charge.batch = batch_step.batch
    where
        batch_step.step = 'wash'
        and (first_charge.step_no is null or batch_step.step_no < first_charge.step_no)
),

worts as (
    select
        batch,
        count(*) as mashes,
        sum_all(volume_20c_l) as volume_20c_l,
        sum_all(extract_kg) as extract_kg,
        sum_all(mass_kg) as mass_kg,
    from account.wort
    group by batch
),

-- Sugar stirred in after the first reading (or without any reading) is not in what was read.
sugar_rows as (
    select
        fermentable.*,
        coalesce(first_reading.step_no < fermentable.step_no, true) as is_late,
    from account.fermentable as fermentable
    left join readings as first_reading
        on first_reading.batch = fermentable.batch
        and first_reading.reading_no = 1
    where fermentable.step = 'sugar'
),

sugars as (
    select
        batch,
        sum_all(potential_extract_kg) as extract_kg,
        sum_all(if(is_late, potential_extract_kg, 0e0)) as late_extract_kg,
        sum_all(if(is_late, mass_kg, 0e0)) as late_mass_kg,
        sum_all(if(is_late, 0e0, mass_kg)) as early_mass_kg,
        bool_or(is_late) as has_late,
    from sugar_rows
    group by batch
),

batches as (
    select batch from readings
    union
    select batch from worts
),

-- The wash as it stood when its original gravity was read; without a reading, as its worts add up.
started as (
    select
        batches.batch,
        worts.mashes,
        worts.extract_kg as wort_extract_kg,
        worts.volume_20c_l as wort_volume_l,
        if(sugars.batch is null, 0e0, sugars.extract_kg) as sugar_extract_kg,
        if(sugars.batch is null, 0e0, sugars.late_extract_kg) as late_extract_kg,
        if(sugars.batch is null, 0e0, sugars.late_mass_kg) as late_mass_kg,
        coalesce(sugars.has_late, false) as has_late_sugar,
        original.step_no as original_step_no,
        coalesce(
            original.gravity_sg,
            sg_from_plato(1e2 * worts.extract_kg / nullif(worts.mass_kg, 0e0))
        ) as started_sg,
        original.volume_20c_l as read_volume_l,
        worts.mass_kg + if(sugars.batch is null, 0e0, sugars.early_mass_kg) as wort_and_sugar_kg,
    from batches
    left join worts
        on worts.batch = batches.batch
    left join sugars
        on sugars.batch = batches.batch
    left join readings as original
        on original.batch = batches.batch
        and original.reading_no = 1
),

-- A fermenter without a volume mark: its worts' mass, and the sugar's, at the gravity read.
started_with_volume as (
    select
        *,
        coalesce(
            read_volume_l, wort_and_sugar_kg / nullif(density_kg_per_l_from_sg(started_sg), 0e0)
        ) as started_volume_l,
    from started
),

with_late_sugar as (
    select
        *,
        if(
            has_late_sugar,
            sg_from_plato(
                1e2 * (extract_kg(started_volume_l, started_sg) + late_extract_kg)
                / nullif(started_volume_l * density_kg_per_l_from_sg(started_sg) + late_mass_kg, 0e0)
            ),
            started_sg
        ) as original_gravity_sg,
    from started_with_volume
),

whole as (
    select
        *,
        if(
            has_late_sugar,
            (started_volume_l * density_kg_per_l_from_sg(started_sg) + late_mass_kg)
            / nullif(density_kg_per_l_from_sg(original_gravity_sg), 0e0),
            started_volume_l
        ) as wash_volume_l,
    from with_late_sugar
),

ended as (
    select
        whole.*,
        final.step_no as final_step_no,
        final.happened_at as final_read_at,
        final.gravity_sg as final_gravity_sg,
        final.volume_20c_l as final_volume_l,
    from whole
    left join readings as final
        on final.batch = whole.batch
        and final.reading_no_from_end = 1
        and final.reading_no > 1
)

select
    -- ids
    batch,
    original_step_no,
    final_step_no,
    -- numerics
    mashes,
    wort_volume_l,
    wort_extract_kg,
    sugar_extract_kg,
    coalesce(wash_volume_l, final_volume_l) as wash_volume_l,
    original_gravity_sg,
    final_gravity_sg,
    plato_from_sg(original_gravity_sg) as original_extract_plato,
    plato_from_sg(final_gravity_sg) as apparent_extract_plato,
    real_extract(plato_from_sg(original_gravity_sg), plato_from_sg(final_gravity_sg)) as real_extract_plato,
    extract_kg(wash_volume_l, original_gravity_sg) as wash_extract_kg,
    wash_abv(original_gravity_sg, final_gravity_sg) as wash_abv_pct_vol,
    -- A volume read at the end is already the shrunken one: its alcohol is volume x strength.
    coalesce(
        wash_lpa(wash_volume_l, original_gravity_sg, final_gravity_sg),
        lpa(final_volume_l, wash_abv(original_gravity_sg, final_gravity_sg))
    ) as wash_lpa,
    final_read_at,
from ended
order by batch
