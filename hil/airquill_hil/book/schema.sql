-- The record book's tables, version 1.
--
-- One row an entry. `record` holds all of it as JSON, raw traces too; the other columns are computed from it, so that
-- nothing stands in two places and any SQLite program can read them. An entry is never changed nor taken away.

CREATE TABLE entry (
    id TEXT PRIMARY KEY NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('run', 'repair')),
    record TEXT NOT NULL CHECK (json_valid(record)),
    serial TEXT NOT NULL AS (json_extract(record, '$.serial')) STORED,
    started TEXT NOT NULL AS (json_extract(record, '$.started')) STORED,
    station TEXT NOT NULL AS (json_extract(record, '$.station')) STORED,
    operator TEXT NOT NULL AS (json_extract(record, '$.operator')) STORED,
    sentence TEXT NOT NULL AS (json_extract(record, '$.sentence')) STORED,
    verdict TEXT AS (json_extract(record, '$.verdict')) STORED,
    chip TEXT AS (json_extract(record, '$.unit.chip')) STORED,
    board TEXT AS (json_extract(record, '$.unit.board')) STORED,
    board_revision TEXT AS (json_extract(record, '$.board_revision')) STORED,
    pump_lot TEXT AS (json_extract(record, '$.pump_lot')) STORED,
    firmware TEXT AS (json_extract(record, '$.unit.firmware')) STORED,
    build TEXT AS (json_extract(record, '$.unit.build')) STORED,
    registry_hash TEXT AS (json_extract(record, '$.unit.registry_hash')) STORED,
    settings_hash TEXT AS (json_extract(record, '$.settings_hash')) STORED,
    limits_version INTEGER AS (json_extract(record, '$.limits_version')) STORED,
    limits_hash TEXT AS (json_extract(record, '$.limits_hash')) STORED,
    needle_gauge INTEGER AS (json_extract(record, '$.needle_gauge')) STORED,
    rig TEXT AS (json_extract(record, '$.rig')) STORED,
    altitude_m REAL AS (json_extract(record, '$.altitude_m')) STORED,
    ambient_kpa REAL AS (json_extract(record, '$.ambient_kpa')) STORED,
    ended TEXT AS (json_extract(record, '$.ended')) STORED,
    host TEXT AS (json_extract(record, '$.host')) STORED,
    CHECK (id = json_extract(record, '$.id'))
);

CREATE INDEX entry_by_unit ON entry (serial, started);

CREATE VIEW run AS SELECT * FROM entry WHERE kind = 'run';

CREATE VIEW repair AS SELECT id, serial, started, station, operator, sentence FROM entry WHERE kind = 'repair';

-- One row a figure of a run.
CREATE VIEW figure AS
SELECT
    entry.id AS run, entry.serial, entry.started,
    json_extract(made.value, '$.name') AS "check",
    json_extract(one.value, '$.name') AS name,
    json_extract(one.value, '$.value') AS value,
    json_extract(one.value, '$.unit') AS unit,
    json_extract(one.value, '$.low') AS low,
    json_extract(one.value, '$.high') AS high,
    json_extract(one.value, '$.must') AS must,
    json_extract(one.value, '$.guard') AS guard,
    json_extract(one.value, '$.outcome') AS outcome
FROM entry, json_each(entry.record, '$.checks') AS made, json_each(made.value, '$.figures') AS one
WHERE entry.kind = 'run';

CREATE TRIGGER entry_is_not_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'entries of a record book are never changed'); END;

CREATE TRIGGER entry_is_not_taken_away BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'entries of a record book are never taken away'); END;
