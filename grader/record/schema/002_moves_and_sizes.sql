-- Containers move, are split and merged; rooted plants are measured at potting on; a count can be the last.

ALTER TABLE finding ADD COLUMN is_final INTEGER NOT NULL DEFAULT 0 CHECK (is_final IN (0, 1));

CREATE TABLE size (
    id         INTEGER PRIMARY KEY,
    finding_id INTEGER NOT NULL REFERENCES finding (id),
    trait      TEXT NOT NULL CHECK (trait IN ('height_mm', 'caliper_mm')),
    value      REAL NOT NULL CHECK (value > 0)
);
CREATE INDEX sizes_of_a_finding ON size (finding_id);

CREATE TABLE transfer (
    id         INTEGER PRIMARY KEY,
    from_id    INTEGER NOT NULL REFERENCES container (id),
    to_id      INTEGER NOT NULL REFERENCES container (id),
    moved_on   TEXT NOT NULL CHECK (date(moved_on) IS moved_on),
    n          INTEGER NOT NULL CHECK (n > 0),
    entered_at TEXT NOT NULL,
    CHECK (from_id <> to_id)
);

CREATE TABLE place (
    id           INTEGER PRIMARY KEY,
    container_id INTEGER NOT NULL REFERENCES container (id),
    moved_on     TEXT NOT NULL CHECK (date(moved_on) IS moved_on),
    place        TEXT NOT NULL CHECK (place <> ''),
    entered_at   TEXT NOT NULL
);

CREATE INDEX transfers_out ON transfer (from_id);
CREATE INDEX transfers_in ON transfer (to_id);
CREATE INDEX places_of_a_container ON place (container_id);

DROP VIEW finding_now;
CREATE VIEW finding_now AS
    SELECT * FROM finding f WHERE f.withdrawn = 0
    AND NOT EXISTS (SELECT 1 FROM finding r WHERE r.replaces = f.id);

CREATE TRIGGER size_is_kept BEFORE DELETE ON size BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER size_stays BEFORE UPDATE ON size BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER transfer_is_kept BEFORE DELETE ON transfer BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER transfer_stays BEFORE UPDATE ON transfer BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;

CREATE TRIGGER place_is_kept BEFORE DELETE ON place BEGIN SELECT RAISE(ABORT, 'nothing in the record is deleted'); END;
CREATE TRIGGER place_stays BEFORE UPDATE ON place BEGIN SELECT RAISE(ABORT, 'nothing in the record is changed'); END;
