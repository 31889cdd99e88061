-- What:  a strength as logged, in %vol at 20 °C: corrected as a glass instrument's reading when a temperature stands by it.
-- From:  nothing
create or replace macro abv_from_logged(reading, unit, temperature_c) as
    case unit
        when 'pct_vol' then
            if(temperature_c is null, reading, abv_from_reading(reading, temperature_c))
        when 'proof' then
            if(temperature_c is null, abv_from_proof(reading), abv_from_proof_reading(reading, temperature_c))
        when 'pct_mass' then abv_from_mass_fraction(reading / 1e2)
    end
