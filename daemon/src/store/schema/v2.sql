-- Daily means of the station's water in past springs, from files. `day` counts local days since
-- 1970-01-01; `origin` names the file.
CREATE TABLE past_water (
    day INTEGER PRIMARY KEY,
    mean_c REAL NOT NULL CHECK (mean_c BETWEEN -3 AND 40),
    origin TEXT NOT NULL
) STRICT;
