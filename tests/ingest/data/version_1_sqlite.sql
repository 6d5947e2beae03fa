CREATE TABLE characteristics (
    id INTEGER NOT NULL,
    product TEXT NOT NULL,
    sample_type TEXT NOT NULL,
    stage TEXT NOT NULL,
    spindle TEXT NOT NULL,
    speed TEXT NOT NULL,
    set_temperature TEXT NOT NULL,
    reading_time TEXT NOT NULL,
    guard TEXT NOT NULL,
    method TEXT NOT NULL,
    condition TEXT NOT NULL,
    PRIMARY KEY (id),
    UNIQUE (product, sample_type, stage, spindle, speed, set_temperature, reading_time, guard, method)
);

CREATE TABLE imports (
    id INTEGER NOT NULL,
    at TEXT NOT NULL,
    file TEXT NOT NULL,
    digest TEXT NOT NULL,
    source TEXT NOT NULL,
    account TEXT NOT NULL,
    understood TEXT NOT NULL,
    answers TEXT NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (id)
);

CREATE TABLE meta (
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (name)
);

CREATE TABLE specifications (
    id INTEGER NOT NULL,
    product TEXT NOT NULL,
    lower FLOAT,
    upper FLOAT,
    target FLOAT,
    valid_from TEXT NOT NULL,
    recorded_at TEXT NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (id)
);

CREATE TABLE not_parsed (
    import_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    last_line BIGINT NOT NULL,
    reason TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (import_id, line),
    FOREIGN KEY(import_id) REFERENCES imports (id)
);

CREATE TABLE repeated (
    import_id INTEGER NOT NULL,
    first_line BIGINT NOT NULL,
    last_line BIGINT NOT NULL,
    first_result_id BIGINT NOT NULL,
    PRIMARY KEY (import_id, first_line),
    FOREIGN KEY(import_id) REFERENCES imports (id)
);

CREATE TABLE results (
    id INTEGER NOT NULL,
    characteristic_id INTEGER NOT NULL,
    batch TEXT NOT NULL,
    replicate INTEGER NOT NULL,
    instrument TEXT NOT NULL,
    moment BIGINT NOT NULL,
    variant INTEGER NOT NULL,
    import_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    sampled_at BIGINT DEFAULT '0' NOT NULL,
    viscosity FLOAT,
    torque FLOAT,
    temperature FLOAT,
    received TEXT NOT NULL,
    operator TEXT DEFAULT '' NOT NULL,
    lot TEXT DEFAULT '' NOT NULL,
    line_name TEXT DEFAULT '' NOT NULL,
    shift TEXT DEFAULT '' NOT NULL,
    status TEXT DEFAULT '' NOT NULL,
    comment TEXT DEFAULT '' NOT NULL,
    spindle_id TEXT DEFAULT '' NOT NULL,
    extra TEXT DEFAULT '' NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(characteristic_id) REFERENCES characteristics (id),
    FOREIGN KEY(import_id) REFERENCES imports (id)
);

CREATE UNIQUE INDEX results_key ON results (characteristic_id, batch, replicate, instrument, moment, variant);

CREATE TABLE set_aside (
    result_id BIGINT NOT NULL,
    reason TEXT NOT NULL,
    detail TEXT NOT NULL,
    import_id INTEGER NOT NULL,
    PRIMARY KEY (result_id, reason),
    FOREIGN KEY(result_id) REFERENCES results (id),
    FOREIGN KEY(import_id) REFERENCES imports (id)
);
