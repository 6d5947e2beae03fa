CREATE TABLE characteristics (
    id SERIAL NOT NULL,
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
    id SERIAL NOT NULL,
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

CREATE TABLE journal (
    id SERIAL NOT NULL,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,
    subject TEXT NOT NULL,
    "old" TEXT NOT NULL,
    "new" TEXT NOT NULL,
    why TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL,
    PRIMARY KEY (id)
);

CREATE TABLE meta (
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (name)
);

CREATE TABLE specifications (
    id SERIAL NOT NULL,
    product TEXT NOT NULL,
    lower FLOAT,
    upper FLOAT,
    target FLOAT,
    valid_from TEXT NOT NULL,
    recorded_at TEXT NOT NULL,
    revision INTEGER NOT NULL,
    journal_id INTEGER,
    PRIMARY KEY (id)
);

CREATE TABLE batches (
    characteristic_id INTEGER NOT NULL,
    batch TEXT NOT NULL,
    use INTEGER NOT NULL,
    n INTEGER NOT NULL,
    mean FLOAT,
    low FLOAT,
    high FLOAT,
    range FLOAT,
    css FLOAT,
    first_at BIGINT NOT NULL,
    last_at BIGINT NOT NULL,
    instrument TEXT NOT NULL,
    instruments TEXT NOT NULL,
    shift TEXT NOT NULL,
    packed BYTEA NOT NULL,
    readings BYTEA NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (characteristic_id, batch, use),
    FOREIGN KEY(characteristic_id) REFERENCES characteristics (id)
);

CREATE INDEX batches_revision ON batches (revision);

CREATE TABLE check_standards (
    id SERIAL NOT NULL,
    name TEXT NOT NULL,
    lot TEXT NOT NULL,
    certified_value FLOAT NOT NULL,
    expanded_uncertainty FLOAT NOT NULL,
    temperature FLOAT,
    expires TEXT NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    UNIQUE (name, lot),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE event_records (
    id SERIAL NOT NULL,
    characteristic_id INTEGER NOT NULL,
    chart TEXT NOT NULL,
    first_batch TEXT NOT NULL,
    last_batch TEXT NOT NULL,
    kind TEXT NOT NULL,
    words TEXT NOT NULL,
    owner TEXT NOT NULL,
    due TEXT NOT NULL,
    about INTEGER,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(characteristic_id) REFERENCES characteristics (id),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE exclusions (
    id SERIAL NOT NULL,
    characteristic_id INTEGER NOT NULL,
    batch TEXT NOT NULL,
    excluded BOOLEAN NOT NULL,
    cause TEXT NOT NULL,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(characteristic_id) REFERENCES characteristics (id),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE frozen_limits (
    id SERIAL NOT NULL,
    characteristic_id INTEGER NOT NULL,
    chart TEXT NOT NULL,
    center FLOAT NOT NULL,
    sigma FLOAT NOT NULL,
    lower FLOAT,
    upper FLOAT,
    first_batch TEXT NOT NULL,
    last_batch TEXT NOT NULL,
    n INTEGER NOT NULL,
    exclusions TEXT NOT NULL,
    method TEXT NOT NULL,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(characteristic_id) REFERENCES characteristics (id),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE methods (
    id SERIAL NOT NULL,
    name TEXT NOT NULL,
    version TEXT NOT NULL,
    spindle TEXT NOT NULL,
    speed FLOAT,
    set_temperature FLOAT,
    temperature_tolerance FLOAT,
    reading_time FLOAT,
    guard TEXT NOT NULL,
    torque_low FLOAT NOT NULL,
    torque_high FLOAT NOT NULL,
    replicates INTEGER NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    UNIQUE (name, version),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
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

CREATE TABLE products (
    id SERIAL NOT NULL,
    name TEXT NOT NULL,
    description TEXT NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    UNIQUE (name),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
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
    id BIGSERIAL NOT NULL,
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

CREATE TABLE settings (
    id SERIAL NOT NULL,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE undone_imports (
    import_id INTEGER NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (import_id),
    FOREIGN KEY(import_id) REFERENCES imports (id),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE product_aliases (
    alias TEXT NOT NULL,
    product_id INTEGER NOT NULL,
    journal_id INTEGER NOT NULL,
    PRIMARY KEY (alias),
    FOREIGN KEY(product_id) REFERENCES products (id),
    FOREIGN KEY(journal_id) REFERENCES journal (id)
);

CREATE TABLE promoted (
    result_id BIGINT NOT NULL,
    original_id BIGINT NOT NULL,
    import_id INTEGER NOT NULL,
    PRIMARY KEY (result_id),
    FOREIGN KEY(result_id) REFERENCES results (id),
    FOREIGN KEY(original_id) REFERENCES results (id),
    FOREIGN KEY(import_id) REFERENCES imports (id)
);

CREATE INDEX promoted_import ON promoted (import_id);

CREATE TABLE set_aside (
    result_id BIGINT NOT NULL,
    reason TEXT NOT NULL,
    detail TEXT NOT NULL,
    import_id INTEGER NOT NULL,
    PRIMARY KEY (result_id, reason),
    FOREIGN KEY(result_id) REFERENCES results (id),
    FOREIGN KEY(import_id) REFERENCES imports (id)
);
