-- The ledger, version 1: one table that only grows. Whole numbers only; floats live inside the body, for flows alone.
-- Every row's hash covers the row before it, so a row changed afterwards breaks every hash that follows.

PRAGMA application_id = 1685025639;  -- "dosg"
PRAGMA user_version = 1;

CREATE TABLE rows (
    seq          INTEGER PRIMARY KEY,
    kind         TEXT    NOT NULL,
    wall_at_us   INTEGER NOT NULL,   -- microseconds since 1970-01-01 00:00 UTC, as the wall clock said
    boot_id      TEXT    NOT NULL CHECK (instr(boot_id, char(10)) = 0),
    mono_us      INTEGER NOT NULL,   -- CLOCK_BOOTTIME
    synchronised INTEGER NOT NULL CHECK (synchronised IN (0, 1)),
    proven_ms    INTEGER NOT NULL CHECK (proven_ms >= 0),
    channel      TEXT    CHECK (channel <> '' AND instr(channel, char(10)) = 0),
    slot         TEXT    CHECK (slot <> '' AND instr(slot, char(10)) = 0),  -- only in rows that consume it
    reservation  INTEGER,            -- only in settled rows: the seq that they settle
    body         TEXT    NOT NULL,   -- the event as canonical JSON
    hash         BLOB    NOT NULL CHECK (length(hash) = 32),
    CHECK ((kind = 'ledger_made') = (seq = 1))
) STRICT;

-- A slot is reserved, refused or missed at most once, whatever the clock does.
CREATE UNIQUE INDEX rows_by_slot ON rows (slot) WHERE slot IS NOT NULL;
-- A reservation is settled at most once: settling gives allowance back.
CREATE UNIQUE INDEX rows_by_reservation ON rows (reservation) WHERE reservation IS NOT NULL;
CREATE INDEX rows_by_kind ON rows (kind, channel);

CREATE TRIGGER rows_follow BEFORE INSERT ON rows
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM rows)
BEGIN SELECT RAISE(ABORT, 'a row must follow the newest row'); END;

CREATE TRIGGER rows_settle_reserved BEFORE INSERT ON rows
WHEN NEW.reservation IS NOT NULL
    AND NOT EXISTS (SELECT 1 FROM rows WHERE seq = NEW.reservation AND kind = 'reserved' AND channel IS NEW.channel)
BEGIN SELECT RAISE(ABORT, 'only a reserved row can be settled'); END;

CREATE TRIGGER rows_never_change BEFORE UPDATE ON rows
BEGIN SELECT RAISE(ABORT, 'a row never changes'); END;

CREATE TRIGGER rows_never_go BEFORE DELETE ON rows
BEGIN SELECT RAISE(ABORT, 'a row never goes'); END;
