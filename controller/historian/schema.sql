-- The store of one site. Times called at_s are seconds on the service's own time line, which stands still while
-- the service is stopped and never jumps; the table clock turns them into UTC. Temperatures are hundredths of a
-- degree Celsius, NULL where nothing was known. Shares are percent of the time that an output was on, 0..100.
-- Any program may read this file while the service runs; only the service writes it.

CREATE TABLE IF NOT EXISTS meta (
    schema_version INTEGER NOT NULL  -- one row; a program refuses a higher version than it knows
);

CREATE TABLE IF NOT EXISTS state (
    id INTEGER PRIMARY KEY CHECK (id = 1),  -- one row: all that the service needs to go on, but for state_parts
    at_s REAL NOT NULL,
    utc_s REAL,              -- NULL while UTC was not trusted
    json BLOB NOT NULL,      -- JSON in UTF-8, compressed with zlib (RFC 1950)
    crc32 INTEGER NOT NULL   -- of that JSON and of all state_parts by name (name, then json; ISO 3309)
);

CREATE TABLE IF NOT EXISTS state_parts (  -- of the same state, what seldom changes
    name TEXT PRIMARY KEY,   -- 'batch/<vessel>', which goes to vessels.<vessel>.batch of the state, or 'answers'
    json TEXT NOT NULL
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

CREATE TABLE IF NOT EXISTS samples (  -- one row for each of vessels and each interval, by default 10 s
    key INTEGER PRIMARY KEY,  -- at_s of the interval's start * 256 + vessels.idx: rows lie in the order of time
    temperature INTEGER,      -- mean of the interval: the wort, the bath or the room
    setpoint_low INTEGER,     -- heating acts below
    setpoint_high INTEGER,    -- cooling acts above
    cooler INTEGER NOT NULL,  -- share of the interval
    heater INTEGER NOT NULL
);

CREATE TABLE IF NOT EXISTS minutes (  -- made of samples when their quarter of an hour is over
    key INTEGER PRIMARY KEY,  -- at_s of the minute's start * 256 + vessels.idx
    mean INTEGER,
    least INTEGER,            -- of the samples, so that a short overshoot stays visible
    most INTEGER,
    setpoint_low INTEGER,     -- mean of the minute
    setpoint_high INTEGER,
    cooler INTEGER NOT NULL,
    heater INTEGER NOT NULL
);

CREATE TABLE IF NOT EXISTS quarters (  -- quarters of an hour, made of minutes at the same time; kept for ever
    key INTEGER PRIMARY KEY,  -- at_s of the quarter's start * 256 + vessels.idx
    mean INTEGER,
    least INTEGER,
    most INTEGER,
    setpoint_low INTEGER,
    setpoint_high INTEGER,
    cooler INTEGER NOT NULL,
    heater INTEGER NOT NULL
);

CREATE TABLE IF NOT EXISTS clock (  -- from at_s on, until the next row, UTC = at_s + offset_s
    at_s INTEGER PRIMARY KEY,
    offset_s INTEGER          -- NULL: a start while UTC was not trusted; the next row's holds, if it has one
);
