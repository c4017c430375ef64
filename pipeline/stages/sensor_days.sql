-- One row per colony, local day and position. Time zones change at quarter hours at the finest,
-- so a day and hour of the clock are found once for each quarter hour and joined back.
WITH readings AS (
    SELECT colony_id, position, temperature_c, humidity_pct, weight_kg,
           CAST(epoch_us(logged_at) // 900000000 AS BIGINT) AS quarter
    FROM sensor_readings
),
quarters AS (
    SELECT quarter, CAST(local_at AS DATE) AS observed_on, CAST(hour(local_at) AS INTEGER) AS clock_hour
    FROM (
        SELECT quarter, timezone($time_zone, to_timestamp(quarter * 900)) AS local_at
        FROM (SELECT DISTINCT quarter FROM readings)
    )
)
SELECT
    colony_id,
    observed_on,
    position,
    CAST(count(*) AS BIGINT) AS readings,
    CAST(bit_count(coalesce(
        bit_or(1 << clock_hour) FILTER (temperature_c IS NOT NULL), 0)) AS BIGINT) AS hours_covered,
    avg(temperature_c) AS temperature_mean_c,
    min(temperature_c) AS temperature_min_c,
    max(temperature_c) AS temperature_max_c,
    max(temperature_c) - min(temperature_c) AS temperature_range_k,
    avg(humidity_pct) AS humidity_mean_pct,
    avg(weight_kg) AS weight_mean_kg
FROM readings JOIN quarters USING (quarter)
GROUP BY colony_id, observed_on, position
ORDER BY colony_id, observed_on, position
