-- What:  a whole tasting sheet that is there twice: for the same person once more, or under another name or evening.
-- Grain: one row a problem found.
-- From:  fit.sheet_copy, raw.file
create or replace table problem.sheet_pasted_twice as
select
    sheet.file_id,
    sheet.line,
    null as batch,
    'assessor' as column_name,
    sheet.scores || ' scores' as found,
    if(sheet.person = 'same', 'each sheet once', 'a sheet of its own')
        || ', not again the one that begins at ' || file.path || ' line ' || sheet.of_line as expected,
from fit.sheet_copy as sheet
inner join raw.file as file
    on file.file_id = sheet.of_file_id
order by sheet.file_id, sheet.line, sheet.copy
