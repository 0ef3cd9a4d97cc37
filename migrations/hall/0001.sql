-- The hall: tests that were published for an audience, their sounds, trials and picks.
-- Nothing in here tells an order: what could is encrypted under a key that is never in the database.

-- A sealed test that was published. Its plan is what the session sealed.
create table hall_tests (
    test         bytea primary key check (length(test) = 16),   -- random; in the visitors' link
    seal         text not null unique,                          -- SHA-256 of the canonical plan
    session_id   text not null,
    plan         text not null,                                 -- JSON
    canonical    text not null,                                 -- the text that was sealed
    seconds      double precision not null,                     -- length of every sound
    rate_hz      integer not null,
    key_check    bytea not null,                                -- opens with the key that it was published with, and no other
    published_at timestamptz not null default now(),
    closes_at    timestamptz,                                   -- no trial and no pick after it
    closed_at    timestamptz
);

-- A sound in the store: a clip with dither of its own. Which clip is encrypted, bound to the name.
create table hall_sounds (
    name   bytea primary key check (length(name) = 16),
    test   bytea not null references hall_tests,
    sealed bytea not null
);
create index on hall_sounds (test);

-- A trial of a visitor, written before its first sound. A visitor is known by a hash of the code in their browser.
create table hall_trials (
    trial      bytea primary key check (length(trial) = 16),
    test       bytea not null references hall_tests,
    visitor    bytea not null check (length(visitor) = 16),
    number     smallint not null check (number > 0),
    commitment bytea not null check (length(commitment) = 32),
    sealed     bytea not null,                                  -- order, nonce, names of the sounds
    opened_at  timestamptz not null default now(),
    unique (test, visitor, number)
);

-- A pick: one row, never changed, at most one of a trial.
create table hall_picks (
    trial      bytea primary key references hall_trials,
    choice     text not null,
    confidence smallint,
    remark     text,
    heard      text not null,                                   -- JSON
    picked_at  timestamptz not null default now()
);
