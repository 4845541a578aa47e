-- What is staged comes packed; Postgres need not try to pack it once more.

-- +goose Up
ALTER TABLE import_staging ALTER COLUMN bytes SET STORAGE EXTERNAL;
