-- The epoch of the log: another number after every restore from a backup, so that
-- clients that are ahead of the restored log notice instead of missing the events
-- that take the numbers they already know.

-- +goose Up
CREATE TABLE log_epoch (
    singleton  boolean     PRIMARY KEY,
    epoch      bigint      NOT NULL,
    changed_at timestamptz NOT NULL,
    CONSTRAINT log_epoch_singleton_check CHECK (singleton),
    CONSTRAINT log_epoch_epoch_check CHECK (epoch > 0)
);
INSERT INTO log_epoch (singleton, epoch, changed_at) VALUES (true, 1, now());

GRANT SELECT, UPDATE (epoch, changed_at) ON log_epoch TO byrelog_registry;
GRANT SELECT ON log_epoch TO byrelog_backup;
