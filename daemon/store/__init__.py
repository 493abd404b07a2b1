"""All that is on disk: the record with its one writer, its reader and backups, and the spool of the keeper's words."""
