-- What was stuck, and what was found. Dates are local calendar days, ISO 8601. Nothing is changed or
-- deleted: a correction is a new row that names the row it replaces.

CREATE TABLE donor (
    id         INTEGER PRIMARY KEY,
    name       TEXT NOT NULL UNIQUE CHECK (name <> ''),
    entered_at TEXT NOT NULL
);

CREATE TABLE container (
    id         INTEGER PRIMARY KEY,
    label      TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (label <> ''),
    entered_at TEXT NOT NULL
);

CREATE TABLE sticking (
    id           INTEGER PRIMARY KEY,
    container_id INTEGER NOT NULL REFERENCES container (id),
    stuck_on     TEXT NOT NULL CHECK (date(stuck_on) IS stuck_on),
    n_stuck      INTEGER NOT NULL CHECK (n_stuck > 0),
    species      TEXT NOT NULL,
    donor_id     INTEGER REFERENCES donor (id),
    grade        TEXT NOT NULL,
    cutter       TEXT NOT NULL,
    -- Id of the size group on the sticking sheet, and its limits in the unit of the measurement; open ends are null.
    size_group   TEXT NOT NULL,
    group_trait  TEXT NOT NULL,
    group_from   REAL,
    group_below  REAL,
    medium       TEXT NOT NULL,
    hormone      TEXT NOT NULL,
    heat_c       REAL,
    due_weeks    REAL NOT NULL CHECK (due_weeks > 0),
    note         TEXT NOT NULL,
    source       TEXT NOT NULL,
    entered_at   TEXT NOT NULL,
    replaces     INTEGER UNIQUE REFERENCES sticking (id)
);
CREATE UNIQUE INDEX one_sticking_a_container ON sticking (container_id) WHERE replaces IS NULL;

CREATE TABLE cutting (
    id           INTEGER PRIMARY KEY,
    photo_sha256 TEXT NOT NULL,
    number       INTEGER NOT NULL,
    photo        TEXT NOT NULL,
    grade        TEXT NOT NULL,
    cutter       TEXT NOT NULL,
    entered_at   TEXT NOT NULL,
    UNIQUE (photo_sha256, number)
);

CREATE TABLE measurement (
    id         INTEGER PRIMARY KEY,
    cutting_id INTEGER NOT NULL REFERENCES cutting (id),
    trait      TEXT NOT NULL,
    value      REAL NOT NULL,
    sigma      REAL,
    UNIQUE (cutting_id, trait)
);

CREATE TABLE placement (
    id           INTEGER PRIMARY KEY,
    container_id INTEGER NOT NULL REFERENCES container (id),
    cutting_id   INTEGER NOT NULL UNIQUE REFERENCES cutting (id)
);

CREATE TABLE finding (
    id           INTEGER PRIMARY KEY,
    container_id INTEGER NOT NULL REFERENCES container (id),
    found_on     TEXT NOT NULL CHECK (date(found_on) IS found_on),
    -- Of those that are or were in the container, since sticking; null: not counted.
    n_rooted     INTEGER CHECK (n_rooted >= 0),
    n_callused   INTEGER CHECK (n_callused >= 0),
    n_dead       INTEGER CHECK (n_dead >= 0),
    note         TEXT NOT NULL,
    source       TEXT NOT NULL,
    entered_at   TEXT NOT NULL,
    withdrawn    INTEGER NOT NULL DEFAULT 0 CHECK (withdrawn IN (0, 1)),
    replaces     INTEGER UNIQUE REFERENCES finding (id)
);
CREATE UNIQUE INDEX one_finding_a_day ON finding (container_id, found_on) WHERE replaces IS NULL;

CREATE INDEX stickings_of_a_container ON sticking (container_id);
CREATE INDEX findings_of_a_container ON finding (container_id);
CREATE INDEX placements_of_a_container ON placement (container_id);

CREATE VIEW sticking_now AS
    SELECT * FROM sticking s WHERE NOT EXISTS (SELECT 1 FROM sticking r WHERE r.replaces = s.id);
CREATE VIEW finding_now AS
    SELECT * FROM finding f WHERE f.withdrawn = 0
    AND NOT EXISTS (SELECT 1 FROM finding r WHERE r.replaces = f.id);

CREATE TRIGGER donor_is_kept BEFORE DELETE ON donor BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER donor_stays BEFORE UPDATE ON donor BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER container_is_kept BEFORE DELETE ON container BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER container_stays BEFORE UPDATE ON container BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER sticking_is_kept BEFORE DELETE ON sticking BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER sticking_stays BEFORE UPDATE ON sticking BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER cutting_is_kept BEFORE DELETE ON cutting BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER cutting_stays BEFORE UPDATE ON cutting BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER measurement_is_kept BEFORE DELETE ON measurement BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER measurement_stays BEFORE UPDATE ON measurement BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER placement_is_kept BEFORE DELETE ON placement BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER placement_stays BEFORE UPDATE ON placement BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER finding_is_kept BEFORE DELETE ON finding BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER finding_stays BEFORE UPDATE ON finding BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;
