-- A store of schema version 1 with data, as SQLite dumps it: two vessels, a batch of forty minutes.
PRAGMA application_id=1667591276;
BEGIN TRANSACTION;
CREATE TABLE clock (  -- from at_s on, until the next row, UTC = at_s + offset_s
    at_s INTEGER PRIMARY KEY,
    offset_s INTEGER          -- NULL: a start while UTC was not trusted; the next row's holds, if it has one
);
INSERT INTO "clock" VALUES(0,1790000000);
CREATE TABLE meta (
    schema_version INTEGER NOT NULL  -- one row; a program refuses a higher version than it knows
);
INSERT INTO "meta" VALUES(1);
CREATE TABLE records (  -- every change of output, step, limit or health, with its reason
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
INSERT INTO "records" VALUES(1,0.0,1790000000.0,'cone','batch','44','started','44 follows An ale','page');
INSERT INTO "records" VALUES(2,65.0,NULL,'cone','output','cone/cooler','on','wort 0.4 K above setpoint','');
INSERT INTO "records" VALUES(3,2390.0,1790002390.0,'cone','alarm','deviation','active, unacknowledged','1.2 K above setpoint','');
CREATE TABLE state (
    id INTEGER PRIMARY KEY CHECK (id = 1),  -- one row: all that the service needs to go on
    at_s REAL NOT NULL,
    utc_s REAL,              -- NULL while UTC was not trusted
    json TEXT NOT NULL,
    crc32 INTEGER NOT NULL   -- of the bytes of json (ISO 3309): a bit that fell over is not acted upon
);
INSERT INTO "state" VALUES(1,2400.0,1790002400.0,'{"version":1,"now_s":2400.0,"utc_s":1790002400.0,"started":false,"outage_since_s":null,"number":7,"epoch":1,"signals":{"cone/wort":{"celsius":null,"at_s":0.0,"status":"F","cause":"no reading yet","suspect_c":null,"fit_again_s":0.0},"keg/wort":{"celsius":null,"at_s":0.0,"status":"F","cause":"no reading yet","suspect_c":null,"fit_again_s":0.0}},"vessels":{"cone":{"in_service":true,"condition":"running","mode":"auto","batch":{"name":"44","og":1.052,"volume_l":50.0,"yeast":"ale","profile":{"name":"ale","title":"An ale","steps":[{"name":"hold 0","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 1","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 2","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 3","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 4","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 5","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""}]},"started_s":0.0,"started_utc_s":null,"freezing_c":0.0,"gravities":[]},"program":null,"manual":null,"setpoint":null,"estimate":{"celsius":null,"cold_c":0.0,"warm_c":0.0,"rate_k_per_h":0.0,"slow_c":0.0,"drive":"nothing","cause":"no reading yet"},"loop":{"integral_w":0.0,"filtered_c":null,"slope_k_per_s":0.0,"heat_w":0.0,"calling":0,"automatic":false,"held_w":0.0},"cooler":{"on":false,"since_s":0.0,"sent_s":-1.0,"reason":"start: everything off first","owed_s":0.0,"ended_s":null,"starts":0,"on_s":0.0},"heater":{"on":false,"since_s":0.0,"sent_s":-1.0,"reason":"start: everything off first","owed_s":0.0,"ended_s":null,"starts":0,"on_s":0.0},"applied_w":0.0,"settling_best_k":null,"settling_since_s":0.0,"off_since_s":null},"keg":{"in_service":true,"condition":"running","mode":"auto","batch":{"name":"44","og":1.052,"volume_l":50.0,"yeast":"ale","profile":{"name":"ale","title":"An ale","steps":[{"name":"hold 0","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 1","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 2","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 3","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 4","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""},{"name":"hold 5","kind":"hold","target_c":18.0,"tolerance_k":0.5,"ends":{"after_s":86400.0,"reached":false,"gravity":null,"attenuation":null,"steady_s":null,"confirmed":""},"at_most_s":1000000.0,"goes_on":false,"rate_k_per_s":null,"over_s":null,"floor_c":null,"note":""}]},"started_s":0.0,"started_utc_s":null,"freezing_c":0.0,"gravities":[]},"program":null,"manual":null,"setpoint":null,"estimate":{"celsius":null,"cold_c":0.0,"warm_c":0.0,"rate_k_per_h":0.0,"slow_c":0.0,"drive":"nothing","cause":"no reading yet"},"loop":{"integral_w":0.0,"filtered_c":null,"slope_k_per_s":0.0,"heat_w":0.0,"calling":0,"automatic":false,"held_w":0.0},"cooler":{"on":false,"since_s":0.0,"sent_s":-1.0,"reason":"start: everything off first","owed_s":0.0,"ended_s":null,"starts":0,"on_s":0.0},"heater":{"on":false,"since_s":0.0,"sent_s":-1.0,"reason":"start: everything off first","owed_s":0.0,"ended_s":null,"starts":0,"on_s":0.0},"applied_w":0.0,"settling_best_k":null,"settling_since_s":0.0,"off_since_s":null}},"alarms":{},"bath_crash_pause":false,"answers":{"a-1":"44 follows An ale"}}',1498355179);
CREATE TABLE trend (  -- one row per vessel and minute; temperatures in hundredths of a degree
    key INTEGER PRIMARY KEY,  -- at_s of the minute's start * 256 + vessels.idx: rows lie in the order of time
    mean INTEGER,             -- NULL where nothing was known
    least INTEGER,
    most INTEGER,
    setpoint_low INTEGER,     -- heating acts below
    setpoint_high INTEGER,    -- cooling acts above
    cooler INTEGER NOT NULL,  -- share of the minute that the output was on, 0..100
    heater INTEGER NOT NULL
);
INSERT INTO "trend" VALUES(0,1800,1790,1810,1800,1850,25,0);
INSERT INTO "trend" VALUES(1,1800,1790,1810,1800,1850,25,0);
INSERT INTO "trend" VALUES(15360,1801,1791,1811,1800,1850,25,0);
INSERT INTO "trend" VALUES(15361,1801,1791,1811,1800,1850,25,0);
INSERT INTO "trend" VALUES(30720,1802,1792,1812,1800,1850,25,0);
INSERT INTO "trend" VALUES(30721,1802,1792,1812,1800,1850,25,0);
INSERT INTO "trend" VALUES(46080,1803,1793,1813,1800,1850,25,0);
INSERT INTO "trend" VALUES(46081,1803,1793,1813,1800,1850,25,0);
INSERT INTO "trend" VALUES(61440,1804,1794,1814,1800,1850,25,0);
INSERT INTO "trend" VALUES(61441,1804,1794,1814,1800,1850,25,0);
INSERT INTO "trend" VALUES(76800,1805,1795,1815,1800,1850,25,0);
INSERT INTO "trend" VALUES(76801,1805,1795,1815,1800,1850,25,0);
INSERT INTO "trend" VALUES(92160,1806,1796,1816,1800,1850,25,0);
INSERT INTO "trend" VALUES(92161,1806,1796,1816,1800,1850,25,0);
INSERT INTO "trend" VALUES(107520,1807,1797,1817,1800,1850,25,0);
INSERT INTO "trend" VALUES(107521,1807,1797,1817,1800,1850,25,0);
INSERT INTO "trend" VALUES(122880,1808,1798,1818,1800,1850,25,0);
INSERT INTO "trend" VALUES(122881,1808,1798,1818,1800,1850,25,0);
INSERT INTO "trend" VALUES(138240,1809,1799,1819,1800,1850,25,0);
INSERT INTO "trend" VALUES(138241,1809,1799,1819,1800,1850,25,0);
INSERT INTO "trend" VALUES(153600,1810,1800,1820,1800,1850,25,0);
INSERT INTO "trend" VALUES(153601,1810,1800,1820,1800,1850,25,0);
INSERT INTO "trend" VALUES(168960,1811,1801,1821,1800,1850,25,0);
INSERT INTO "trend" VALUES(168961,1811,1801,1821,1800,1850,25,0);
INSERT INTO "trend" VALUES(184320,1812,1802,1822,1800,1850,25,0);
INSERT INTO "trend" VALUES(184321,1812,1802,1822,1800,1850,25,0);
INSERT INTO "trend" VALUES(199680,1813,1803,1823,1800,1850,25,0);
INSERT INTO "trend" VALUES(199681,1813,1803,1823,1800,1850,25,0);
INSERT INTO "trend" VALUES(215040,1814,1804,1824,1800,1850,25,0);
INSERT INTO "trend" VALUES(215041,1814,1804,1824,1800,1850,25,0);
INSERT INTO "trend" VALUES(230400,1815,1805,1825,1800,1850,25,0);
INSERT INTO "trend" VALUES(230401,1815,1805,1825,1800,1850,25,0);
INSERT INTO "trend" VALUES(245760,1816,1806,1826,1800,1850,25,0);
INSERT INTO "trend" VALUES(245761,1816,1806,1826,1800,1850,25,0);
INSERT INTO "trend" VALUES(261120,1817,1807,1827,1800,1850,25,0);
INSERT INTO "trend" VALUES(261121,1817,1807,1827,1800,1850,25,0);
INSERT INTO "trend" VALUES(276480,1818,1808,1828,1800,1850,25,0);
INSERT INTO "trend" VALUES(276481,1818,1808,1828,1800,1850,25,0);
INSERT INTO "trend" VALUES(291840,1819,1809,1829,1800,1850,25,0);
INSERT INTO "trend" VALUES(291841,1819,1809,1829,1800,1850,25,0);
INSERT INTO "trend" VALUES(307200,1820,1810,1830,1800,1850,25,0);
INSERT INTO "trend" VALUES(307201,1820,1810,1830,1800,1850,25,0);
INSERT INTO "trend" VALUES(322560,1821,1811,1831,1800,1850,25,0);
INSERT INTO "trend" VALUES(322561,1821,1811,1831,1800,1850,25,0);
INSERT INTO "trend" VALUES(337920,1822,1812,1832,1800,1850,25,0);
INSERT INTO "trend" VALUES(337921,1822,1812,1832,1800,1850,25,0);
INSERT INTO "trend" VALUES(353280,1823,1813,1833,1800,1850,25,0);
INSERT INTO "trend" VALUES(353281,1823,1813,1833,1800,1850,25,0);
INSERT INTO "trend" VALUES(368640,1824,1814,1834,1800,1850,25,0);
INSERT INTO "trend" VALUES(368641,1824,1814,1834,1800,1850,25,0);
INSERT INTO "trend" VALUES(384000,1825,1815,1835,1800,1850,25,0);
INSERT INTO "trend" VALUES(384001,1825,1815,1835,1800,1850,25,0);
INSERT INTO "trend" VALUES(399360,1826,1816,1836,1800,1850,25,0);
INSERT INTO "trend" VALUES(399361,1826,1816,1836,1800,1850,25,0);
INSERT INTO "trend" VALUES(414720,1827,1817,1837,1800,1850,25,0);
INSERT INTO "trend" VALUES(414721,1827,1817,1837,1800,1850,25,0);
INSERT INTO "trend" VALUES(430080,1828,1818,1838,1800,1850,25,0);
INSERT INTO "trend" VALUES(430081,1828,1818,1838,1800,1850,25,0);
INSERT INTO "trend" VALUES(445440,1829,1819,1839,1800,1850,25,0);
INSERT INTO "trend" VALUES(445441,1829,1819,1839,1800,1850,25,0);
INSERT INTO "trend" VALUES(460800,1830,1820,1840,1800,1850,25,0);
INSERT INTO "trend" VALUES(460801,1830,1820,1840,1800,1850,25,0);
INSERT INTO "trend" VALUES(476160,1831,1821,1841,1800,1850,25,0);
INSERT INTO "trend" VALUES(476161,1831,1821,1841,1800,1850,25,0);
INSERT INTO "trend" VALUES(491520,1832,1822,1842,1800,1850,25,0);
INSERT INTO "trend" VALUES(491521,1832,1822,1842,1800,1850,25,0);
INSERT INTO "trend" VALUES(506880,1833,1823,1843,1800,1850,25,0);
INSERT INTO "trend" VALUES(506881,1833,1823,1843,1800,1850,25,0);
INSERT INTO "trend" VALUES(522240,1834,1824,1844,1800,1850,25,0);
INSERT INTO "trend" VALUES(522241,1834,1824,1844,1800,1850,25,0);
INSERT INTO "trend" VALUES(537600,1835,1825,1845,1800,1850,25,0);
INSERT INTO "trend" VALUES(537601,1835,1825,1845,1800,1850,25,0);
INSERT INTO "trend" VALUES(552960,1836,1826,1846,1800,1850,25,0);
INSERT INTO "trend" VALUES(552961,1836,1826,1846,1800,1850,25,0);
INSERT INTO "trend" VALUES(568320,1837,1827,1847,1800,1850,25,0);
INSERT INTO "trend" VALUES(568321,1837,1827,1847,1800,1850,25,0);
INSERT INTO "trend" VALUES(583680,1838,1828,1848,1800,1850,25,0);
INSERT INTO "trend" VALUES(583681,1838,1828,1848,1800,1850,25,0);
INSERT INTO "trend" VALUES(599040,1839,1829,1849,1800,1850,25,0);
INSERT INTO "trend" VALUES(599041,1839,1829,1849,1800,1850,25,0);
CREATE TABLE vessels (
    idx INTEGER PRIMARY KEY CHECK (idx BETWEEN 0 AND 255),
    name TEXT NOT NULL UNIQUE  -- a vessel, or a probe tag of the bath or the room
);
INSERT INTO "vessels" VALUES(0,'cone');
INSERT INTO "vessels" VALUES(1,'bath/top');
COMMIT;
