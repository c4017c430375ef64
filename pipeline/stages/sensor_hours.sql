-- One row per colony and winter hour with the air's temperature and humidity above the colony,
-- under the cover where both were read there, else above the cluster.
WITH readings AS (
    SELECT colony_id, position, temperature_c, humidity_pct,
           CAST(epoch_us(logged_at) // 3600000000 AS BIGINT) AS hour_no
    FROM sensor_readings
    WHERE position IN ('under cover', 'above cluster', 'outside')
),
hours AS (
    SELECT hour_no, hour_at, CAST(CASE WHEN day_no >= $starts_on THEN year_no ELSE year_no - 1 END AS BIGINT) AS winter
    FROM (
        SELECT hour_no, to_timestamp(hour_no * 3600) AS hour_at,
               year(to_timestamp(hour_no * 3600)) AS year_no,
               month(to_timestamp(hour_no * 3600)) * 100 + day(to_timestamp(hour_no * 3600)) AS day_no
        FROM (SELECT DISTINCT hour_no FROM readings)
    )
    WHERE day_no >= $starts_on OR day_no <= $ends_on
),
pairs AS (
    SELECT
        colony_id, hour_no,
        avg(temperature_c) FILTER (position = 'under cover' AND humidity_pct > 0) AS cover_c,
        avg(humidity_pct) FILTER (position = 'under cover' AND temperature_c IS NOT NULL AND humidity_pct > 0) AS cover_pct,
        avg(temperature_c) FILTER (position = 'above cluster' AND humidity_pct > 0) AS cluster_c,
        avg(humidity_pct) FILTER (position = 'above cluster' AND temperature_c IS NOT NULL AND humidity_pct > 0) AS cluster_pct,
        avg(temperature_c) FILTER (position = 'outside') AS outside_c
    FROM readings SEMI JOIN hours USING (hour_no)
    GROUP BY colony_id, hour_no
)
SELECT
    colony_id, winter, hour_at,
    coalesce(cover_c, cluster_c) AS hive_c,
    coalesce(cover_pct, cluster_pct) AS hive_humidity_pct,
    outside_c
FROM pairs JOIN hours USING (hour_no)
WHERE coalesce(cover_c, cluster_c) IS NOT NULL
ORDER BY colony_id, winter, hour_at
