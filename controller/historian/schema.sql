-- The store of one site. Times called at_s are seconds on the service's own time line, which stands still while
-- the service is stopped and never jumps; the table clock turns them into UTC. Temperatures are degrees Celsius.
-- Any program may read this file while the service runs; only the service writes it.

CREATE TABLE IF NOT EXISTS meta (
    schema_version INTEGER NOT NULL  -- one row; a program refuses a higher version than it knows
);

CREATE TABLE IF NOT EXISTS state (
    id INTEGER PRIMARY KEY CHECK (id = 1),  -- one row: all that the service needs to go on
    at_s REAL NOT NULL,
    utc_s REAL,              -- NULL while UTC was not trusted
    json TEXT NOT NULL,
    crc32 INTEGER NOT NULL   -- of the bytes of json (ISO 3309): a bit that fell over is not acted upon
);

CREATE TABLE IF NOT EXISTS records (  -- every change of output, step, limit or health, with its reason
    id INTEGER PRIMARY KEY,  -- in the order in which they happened
    at_s REAL NOT NULL,
    utc_s REAL,              -- NULL while UTC was not trusted
    vessel TEXT NOT NULL,    -- '' for the site
    kind TEXT NOT NULL,      -- output, step, state, mode, limit, health, alarm, batch, action
    subject TEXT NOT NULL,
    value TEXT NOT NULL,
    reason TEXT NOT NULL,
    who TEXT NOT NULL        -- '' for the service itself
);

CREATE TABLE IF NOT EXISTS vessels (
    idx INTEGER PRIMARY KEY CHECK (idx BETWEEN 0 AND 255),
    name TEXT NOT NULL UNIQUE  -- a vessel, or a probe tag of the bath or the room
);

CREATE TABLE IF NOT EXISTS trend (  -- one row per vessel and minute; temperatures in hundredths of a degree
    key INTEGER PRIMARY KEY,  -- at_s of the minute's start * 256 + vessels.idx: rows lie in the order of time
    mean INTEGER,             -- NULL where nothing was known
    least INTEGER,
    most INTEGER,
    setpoint_low INTEGER,     -- heating acts below
    setpoint_high INTEGER,    -- cooling acts above
    cooler INTEGER NOT NULL,  -- share of the minute that the output was on, 0..100
    heater INTEGER NOT NULL
);

CREATE TABLE IF NOT EXISTS clock (  -- from at_s on, until the next row, UTC = at_s + offset_s
    at_s INTEGER PRIMARY KEY,
    offset_s INTEGER          -- NULL: a start while UTC was not trusted; the next row's holds, if it has one
);
