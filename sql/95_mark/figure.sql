-- What:  which figures of a batch each problem of its log touches: those that the cell, or the whole row, goes into.
-- Note:  a batch's net spirit is its share in what every run gave that it has alcohol in, by feints carried on: a row of
--        another batch's run touches it, too, where the share is a twentieth or more. Problems of a file, or of a
--        batch as a whole, touch no figure in particular and are not here.
-- Grain: one row a batch, figure of metric.batch, kind of problem and line of a file.
-- From:  problem.place, raw.batch_value, log.batch_step, account.wash, account.jar, account.run, account.run_ancestry, metric.batch
create or replace table problem.figure as
-- A cell of a row of this part goes into these figures.
with goes_into (part, log_columns, figures) as (
    values
    ('grain', 'mass', 'grain_kg yield_lpa_per_kg hearts_lpa_per_kg'),
    ('grain', 'mass item', 'grain_potential_extract_kg potential_extract_kg mash_efficiency_frac ferment_efficiency_frac'),
    ('sugar', 'mass volume gravity temperature', 'sugar_kg yield_lpa_per_kg hearts_lpa_per_kg'),
    ('sugar', 'mass volume gravity temperature item', 'sugar_extract_kg potential_extract_kg ferment_efficiency_frac'),
    ('late sugar', 'mass volume gravity temperature item', 'original_gravity_sg original_extract_plato real_extract_plato apparent_attenuation_frac real_attenuation_frac wash_volume_l wash_extract_kg wash_abv_pct_vol wash_lpa'),
    ('late sugar charged', 'mass volume gravity temperature item', 'strip_charge_lpa strip_recovery_frac balance_gap_lpa'),
    ('sugar for wort', 'mass volume gravity temperature item', 'grain_extract_kg mash_efficiency_frac'),
    ('sugar for volume', 'mass volume gravity temperature', 'wash_volume_l wash_extract_kg wash_lpa'),
    ('priced', 'price', 'cost_per_lpa'),
    ('yeast', 'when', 'ferment_days'),
    ('wash charge', 'when', 'rest_days'),
    -- Wort and wash.
    ('wort', 'volume gravity temperature', 'grain_extract_kg mash_efficiency_frac ferment_efficiency_frac'),
    ('starting gravity', 'gravity temperature', 'original_gravity_sg original_extract_plato real_extract_plato apparent_attenuation_frac real_attenuation_frac wash_extract_kg wash_abv_pct_vol wash_lpa ferment_efficiency_frac'),
    ('starting volume', 'volume temperature', 'wash_volume_l wash_extract_kg wash_lpa ferment_efficiency_frac'),
    ('wort for volume', 'volume gravity temperature', 'wash_volume_l wash_extract_kg wash_lpa ferment_efficiency_frac'),
    ('wash for wort', 'volume gravity temperature', 'grain_extract_kg mash_efficiency_frac'),
    ('gravity for volume', 'gravity temperature', 'wash_volume_l'),
    -- Sugar stirred in later makes a new wash of what stood there: its strength leans on how much there was.
    ('start to be sugared', 'volume gravity temperature', 'original_gravity_sg original_extract_plato real_extract_plato apparent_attenuation_frac real_attenuation_frac wash_volume_l wash_extract_kg wash_abv_pct_vol wash_lpa ferment_efficiency_frac'),
    ('start to be sugared and charged', 'volume gravity temperature', 'strip_charge_lpa strip_recovery_frac balance_gap_lpa'),
    ('final gravity', 'gravity temperature', 'final_gravity_sg real_extract_plato apparent_attenuation_frac real_attenuation_frac wash_abv_pct_vol wash_lpa ferment_efficiency_frac'),
    ('wash charged', 'gravity temperature', 'strip_charge_lpa strip_recovery_frac balance_gap_lpa'),
    ('later wash', 'gravity temperature when', 'ferment_days rest_days'),
    ('wash', 'temperature', 'ferment_temperature_c'),
    ('last wash', 'ph', 'final_ph'),
    -- Charges; a charge without its own strength has that of its lot.
    ('strip charge', 'volume strength temperature', 'strip_charge_lpa strip_recovery_frac balance_gap_lpa'),
    ('spirit charge', 'volume strength temperature', 'spirit_charge_lpa spirit_charge_abv_pct_vol foreshots_frac heads_frac hearts_frac tails_frac balance_gap_lpa'),
    ('water charge', 'volume temperature', 'spirit_charge_abv_pct_vol'),
    ('feints charge', 'volume strength temperature', 'feints_in_lpa'),
    -- Feints and low wines share a run's hearts by what each brought: both decide whose they are.
    ('shared charge', 'volume strength temperature source', 'net_spirit_lpa yield_lpa_per_kg cost_per_lpa'),
    -- Jars by their cut.
    ('low wines', 'volume strength temperature cut', 'low_wines_lpa low_wines_abv_pct_vol strip_recovery_frac balance_gap_lpa'),
    ('low wines charged', 'volume strength temperature', 'spirit_charge_lpa spirit_charge_abv_pct_vol foreshots_frac heads_frac hearts_frac tails_frac balance_gap_lpa'),
    ('foreshots', 'volume strength temperature cut', 'foreshots_lpa foreshots_frac balance_gap_lpa'),
    ('heads', 'volume strength temperature cut', 'heads_lpa heads_frac feints_out_lpa net_spirit_lpa yield_lpa_per_kg cost_per_lpa balance_gap_lpa'),
    ('hearts', 'volume strength temperature cut', 'hearts_lpa hearts_frac hearts_abv_pct_vol hearts_lpa_per_kg net_spirit_lpa yield_lpa_per_kg cost_per_lpa balance_gap_lpa'),
    ('hearts', 'volume temperature cut', 'hearts_volume_l'),
    ('warm hearts', 'strength', 'hearts_volume_l'),
    ('tails', 'volume strength temperature cut', 'tails_lpa tails_frac feints_out_lpa net_spirit_lpa yield_lpa_per_kg cost_per_lpa balance_gap_lpa'),
    ('feints', 'volume strength temperature cut', 'feints_out_lpa net_spirit_lpa yield_lpa_per_kg cost_per_lpa balance_gap_lpa'),
    ('spout at hearts start', 'spout temperature', 'hearts_start_pct_vol'),
    ('spout at hearts end', 'spout temperature', 'hearts_end_pct_vol'),
    ('jar at hearts start', 'volume strength temperature', 'hearts_start_pct_vol'),
    ('jar at hearts end', 'volume strength temperature', 'hearts_end_pct_vol'),
    -- What stayed in the still.
    ('strip residue', 'volume strength temperature', 'pot_ale_lpa residue_lpa balance_gap_lpa'),
    ('spirit residue', 'volume strength temperature', 'spent_lees_lpa residue_lpa balance_gap_lpa')
),

-- The rows of the problems; of all else only their batches are looked at.
rows_of_problems as (
    select
        place.kind,
        place.file,
        place.log_column,
        batch_step.*,
    from problem.place as place
    inner join log.batch_step as batch_step
        on batch_step.file_id = place.file_id
        and batch_step.line = place.line
),

-- What a batch has decides what its rows are read for.
batches as (
    select
        batch_step.batch,
        count(*) filter (where step = 'wort') > 0 as has_wort,
        count(*) filter (where step_no = wash.original_step_no and gravity_sg is not null) > 0 as has_original,
        count(*) filter (where step_no = wash.original_step_no and volume_l is not null) > 0 as has_volume,
        count(*) filter (where step = 'charge' and item = 'wash' and abv_20c_pct_vol is null) > 0 as charges_wash,
        count(*) filter (where step = 'charge' and item = 'low wines' and abv_20c_pct_vol is null) > 0
            as charges_low_wines,
        count(*) filter (where step = 'sugar' and step_no > coalesce(wash.original_step_no, 0)) > 0 as has_late_sugar,
        arg_max(step_no, step_no) filter (where step = 'wash') as last_wash_no,
        any_value(wash.original_step_no) as original_step_no,
        any_value(wash.final_step_no) as final_step_no,
    from log.batch_step as batch_step
    left join account.wash as wash
        on wash.batch = batch_step.batch
    where batch_step.batch in (select batch from rows_of_problems)
    group by batch_step.batch
),

runs as (
    select
        run.batch,
        run.run,
        run.run_kind,
        count(*) filter (
            where batch_step.step = 'charge' and batch_step.item not in ('wash', 'low wines', 'water')
        ) > 0 as has_feints,
    from account.run as run
    inner join log.batch_step as batch_step
        on batch_step.batch = run.batch
        and batch_step.run = run.run
    where run.batch in (select batch from rows_of_problems)
    group by run.batch, run.run, run.run_kind
),

jars as (
    select
        file_id,
        line,
        cut,
        is_small,
        spout_abv_20c_pct_vol is not null as has_spout,
        lag(cut) over run_order as cut_before,
        lead(cut) over run_order as cut_after,
        lag(spout_abv_20c_pct_vol) over run_order is not null as has_spout_before,
        lag(is_small) over run_order as is_small_before,
        lead(is_small) over run_order as is_small_after,
    from account.jar
    where batch in (select batch from rows_of_problems)
    window run_order as (partition by batch, run order by jar_no)
),

steps as (
    select
        -- A row that is twice there, or not at all, is so with every cell it has.
        problem_row.is_set_aside or coalesce(problem_row.log_column in ('step', 'run'), false) as is_whole_row,
        problem_row.* exclude (cut, is_set_aside),
        batches.* exclude (batch),
        coalesce(problem_row.step_no = batches.original_step_no, false)
            or (problem_row.step = 'wort' and not (batches.has_original and batches.has_volume)) as is_start,
        runs.run_kind,
        runs.has_feints,
        problem_row.cut,
        batch_value.spout_reading is not null or problem_row.log_column = 'spout' as has_spout_logged,
        batch_value.strength_reading is not null
            or problem_row.is_set_aside
            or problem_row.log_column = 'strength'
            or contains(problem_row.cells_set_aside, 'strength') as has_strength_logged,
        jars.* exclude (file_id, line, cut),
    from rows_of_problems as problem_row
    inner join raw.batch_value as batch_value
        on batch_value.file_id = problem_row.file_id
        and batch_value.line = problem_row.line
    inner join batches
        on batches.batch = problem_row.batch
    left join runs
        on runs.batch = problem_row.batch
        and runs.run = problem_row.run
    left join jars
        on jars.file_id = problem_row.file_id
        and jars.line = problem_row.line
),

parts as (
    select
        kind,
        file,
        line,
        log_column,
        is_whole_row,
        batch,
        run,
        step,
        cut,
        unnest([
            if(step in ('grain', 'sugar', 'yeast') or log_column = 'price', 'priced', null),
            if(step in ('grain', 'sugar', 'yeast', 'wort', 'wash'), step, null),
            if(step = 'charge' and item = 'wash', 'wash charge', null),
            if(step = 'sugar' and step_no > coalesce(original_step_no, 0), 'late sugar', null),
            if(
                step = 'sugar' and step_no > coalesce(original_step_no, 0) and charges_wash, 'late sugar charged', null
            ),
            if(step = 'wash' and step_no = last_wash_no, 'last wash', null),
            if(step = 'wash' and step_no > original_step_no, 'later wash', null),
            if(step_no = original_step_no or (step = 'wort' and not has_original), 'starting gravity', null),
            if(step_no = original_step_no, 'starting volume', null),
            if(step = 'wort' and not has_volume, 'wort for volume', null),
            if(step_no = original_step_no and not has_wort, 'wash for wort', null),
            if(step = 'sugar' and not has_wort, 'sugar for wort', null),
            if(step = 'sugar' and not has_volume, 'sugar for volume', null),
            if(step_no = original_step_no and not has_volume, 'gravity for volume', null),
            if(is_start and has_late_sugar, 'start to be sugared', null),
            if(is_start and has_late_sugar and charges_wash, 'start to be sugared and charged', null),
            if(step_no = final_step_no, 'final gravity', null),
            if(
                charges_wash and (step_no in (original_step_no, final_step_no) or (step = 'wort' and not has_original)),
                'wash charged',
                null
            ),
            if(step = 'charge' and run_kind = 'stripping' and item != 'water', 'strip charge', null),
            if(step = 'charge' and run_kind = 'spirit', if(item = 'water', 'water charge', 'spirit charge'), null),
            if(step = 'charge' and item not in ('wash', 'low wines', 'water'), 'feints charge', null),
            if(step = 'charge' and run_kind = 'spirit' and has_feints and item != 'water', 'shared charge', null),
            if(step = 'collect', cut, null),
            if(step = 'collect' and cut = 'low wines' and charges_low_wines, 'low wines charged', null),
            if(step = 'collect' and cut = 'hearts' and temperature_c != 2e1, 'warm hearts', null),
            if(has_spout_logged and cut != 'hearts' and cut_after = 'hearts', 'spout at hearts start', null),
            if(has_spout_logged and cut = 'hearts' and cut_after != 'hearts', 'spout at hearts end', null),
            if(
                (not has_spout and cut != 'hearts' and cut_after = 'hearts' and is_small and is_small_after)
                or (not has_spout_before and cut = 'hearts' and cut_before != 'hearts' and is_small and is_small_before),
                'jar at hearts start',
                null
            ),
            if(
                (not has_spout and cut = 'hearts' and cut_after != 'hearts' and is_small and is_small_after)
                or (not has_spout_before and cut != 'hearts' and cut_before = 'hearts' and is_small and is_small_before),
                'jar at hearts end',
                null
            ),
            -- What was left counts for nothing where nobody took its strength.
            if(step = 'residue' and has_strength_logged, if(run_kind = 'stripping', 'strip residue', 'spirit residue'), null)
        ]) as part,
    from steps
),

touched as (
    select
        parts.*,
        unnest(string_split(goes_into.figures, ' ')) as column_name,
    from parts
    inner join goes_into
        on goes_into.part = parts.part
        and (parts.is_whole_row or list_contains(string_split(goes_into.log_columns, ' '), parts.log_column))
),

-- Whose alcohol each run had in its still, and which of it had come by feints. Over a season of feints every batch has a
-- trace in every run: what is less than a twentieth moves nothing that could be seen (own choice).
origins as (
    select
        batch,
        run,
        origin_batch,
        bool_or(is_by_feints) as is_by_feints,
    from account.run_ancestry
    where origin_batch is not null and share_frac >= 5e-2
    group by batch, run, origin_batch
),

-- The batches that share in what a row says of a run: in the run itself, and in those that its feints went into.
sharing as (
    select
        touched.*,
        own.origin_batch,
    from touched
    inner join origins as own
        on own.batch = touched.batch
        and own.run = touched.run
    union all
    select
        touched.*,
        later.origin_batch,
    from touched
    inner join origins as sharer
        on sharer.batch = touched.batch
        and sharer.run = touched.run
    inner join origins as carried
        on carried.origin_batch = sharer.origin_batch
        and carried.is_by_feints
    inner join origins as later
        on later.batch = carried.batch
        and later.run = carried.run
    where touched.step = 'charge' or touched.cut in ('heads', 'tails', 'feints')
),

priced as (
    select batch
    from log.batch_step
    where price is not null or contains(cells_set_aside, 'price')
),

touched_anywhere as (
    select
        batch,
        column_name,
        kind,
        file,
        line,
    from touched
    union all
    select
        origin_batch as batch,
        column_name,
        kind,
        file,
        line,
    from sharing
    where column_name in ('net_spirit_lpa', 'yield_lpa_per_kg', 'cost_per_lpa')
)

select distinct
    found.batch,
    found.column_name,
    found.kind,
    found.file,
    found.line,
from touched_anywhere as found
inner join metric.batch as batch
    on batch.batch = found.batch
-- Without any price a cost was never to be had.
where found.column_name != 'cost_per_lpa' or found.batch in (select batch from priced)
order by found.batch, found.file, found.line, found.kind, found.column_name
