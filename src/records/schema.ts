import type { Migration } from './migrate.ts';

/** "Card" in ASCII: tells our file from any other program's (SQLite file format, section 1.3.12). */
export const applicationId = 0x43617264;

/**
 * The layouts of the store, oldest first. One that was released is never edited: a change is a new entry at the end.
 * AUTOINCREMENT, since the number of a record is written on cards and labels and must not come back.
 */
export const migrations: readonly Migration[] = [
  {
    version: 1,
    sql: `
      CREATE TABLE jobs (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        uuid TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL,
        set_name TEXT,
        node TEXT,
        tool_version TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN
          ('running', 'sealing', 'done', 'failed', 'cancelled', 'interrupted', 'unconfirmed')),
        card_state TEXT,
        code TEXT,
        begun_at_ms INTEGER NOT NULL,
        ended_at_ms INTEGER,
        card TEXT NOT NULL,
        card_cid TEXT,
        card_serial TEXT,
        card_port TEXT,
        card_size_bytes INTEGER NOT NULL,
        image_path TEXT,
        image_container TEXT,
        image_packed_sha256 TEXT,
        image_size_bytes INTEGER,
        image_map_root TEXT,
        owner_pid INTEGER NOT NULL,
        owner_start_ticks INTEGER,
        owner_boot_id TEXT,
        owner_pid_namespace TEXT,
        bytes_read_back INTEGER,
        sectors_read INTEGER,
        host_key_public TEXT,
        host_key_fingerprint TEXT,
        identity_file_sha256 TEXT,
        throughput TEXT,
        settled_by_check INTEGER REFERENCES checks (id)
      ) STRICT;
      CREATE INDEX jobs_by_node ON jobs (set_name, node);
      CREATE INDEX jobs_by_cid ON jobs (card_cid);
      CREATE INDEX jobs_by_size ON jobs (card_size_bytes);
      CREATE INDEX jobs_open ON jobs (state) WHERE state IN ('running', 'sealing');

      CREATE TABLE phases (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        phase TEXT NOT NULL,
        begun_at_ms INTEGER NOT NULL,
        elapsed_ms REAL,
        bytes INTEGER
      ) STRICT;
      CREATE INDEX phases_by_job ON phases (job);

      CREATE TABLE checks (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job INTEGER NOT NULL REFERENCES jobs (id),
        at_ms INTEGER NOT NULL,
        verdict TEXT NOT NULL CHECK (verdict IN ('good', 'bad', 'unfinished')),
        bytes_read_back INTEGER NOT NULL
      ) STRICT;
      CREATE INDEX checks_by_job ON checks (job);

      -- check_id is null for what the job itself found
      CREATE TABLE findings (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        check_id INTEGER REFERENCES checks (id),
        code TEXT NOT NULL,
        severity TEXT NOT NULL,
        facts TEXT NOT NULL
      ) STRICT;
      CREATE INDEX findings_by_job ON findings (job);

      CREATE TABLE digest_maps (
        job INTEGER PRIMARY KEY REFERENCES jobs (id),
        size_bytes INTEGER NOT NULL,
        root TEXT NOT NULL,
        packed BLOB NOT NULL
      ) STRICT;

      CREATE TABLE kernel_lines (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        line TEXT NOT NULL
      ) STRICT;
      CREATE INDEX kernel_lines_by_job ON kernel_lines (job);
    `,
  },
  {
    version: 2,
    // A node may have several host keys; host_names is a JSON list, null in records of layout 1.
    sql: `
      CREATE TABLE host_keys (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        public_key TEXT NOT NULL,
        fingerprint TEXT NOT NULL
      ) STRICT;
      CREATE INDEX host_keys_by_job ON host_keys (job);
      INSERT INTO host_keys (job, public_key, fingerprint)
        SELECT id, host_key_public, host_key_fingerprint FROM jobs
        WHERE host_key_public IS NOT NULL AND host_key_fingerprint IS NOT NULL ORDER BY id;
      ALTER TABLE jobs DROP COLUMN host_key_public;
      ALTER TABLE jobs DROP COLUMN host_key_fingerprint;
      ALTER TABLE jobs ADD COLUMN host_names TEXT;
    `,
  },
  {
    version: 3,
    // A card is known by its CID, or by what stood on it when it came; card_id is null where nobody could tell.
    sql: `
      CREATE TABLE sets (
        name TEXT PRIMARY KEY,
        plan_path TEXT
      ) STRICT;
      CREATE TABLE nodes (
        set_name TEXT NOT NULL REFERENCES sets (name),
        name TEXT NOT NULL,
        slot TEXT,
        place INTEGER NOT NULL,
        PRIMARY KEY (set_name, name)
      ) STRICT;
      INSERT INTO sets (name) SELECT DISTINCT set_name FROM jobs WHERE set_name IS NOT NULL;
      INSERT INTO nodes (set_name, name, place) SELECT set_name, node, min(id) FROM jobs
        WHERE set_name IS NOT NULL AND node IS NOT NULL GROUP BY set_name, node;

      CREATE TABLE cards (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        cid TEXT UNIQUE,
        serial TEXT,
        port TEXT,
        size_bytes INTEGER NOT NULL,
        first_seen_at_ms INTEGER NOT NULL
      ) STRICT;
      INSERT INTO cards (cid, serial, port, size_bytes, first_seen_at_ms)
        SELECT card_cid, card_serial, card_port, card_size_bytes, min(begun_at_ms) FROM jobs
        WHERE card_cid IS NOT NULL GROUP BY card_cid ORDER BY min(id);

      CREATE TABLE batches (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        set_name TEXT NOT NULL REFERENCES sets (name),
        plan_path TEXT NOT NULL,
        tool_version TEXT NOT NULL,
        nodes TEXT NOT NULL,
        begun_at_ms INTEGER NOT NULL,
        ended_at_ms INTEGER,
        outcome TEXT CHECK (outcome IN ('done', 'not-all-done', 'cancelled', 'failed')),
        image_path TEXT,
        image_size_bytes INTEGER,
        image_map_root TEXT,
        staged_in_ms INTEGER,
        owner_pid INTEGER NOT NULL,
        owner_start_ticks INTEGER,
        owner_boot_id TEXT,
        owner_pid_namespace TEXT
      ) STRICT;
      CREATE INDEX batches_by_set ON batches (set_name);

      CREATE TABLE image_maps (
        root TEXT PRIMARY KEY,
        size_bytes INTEGER NOT NULL,
        packed BLOB NOT NULL
      ) STRICT;

      ALTER TABLE jobs ADD COLUMN batch INTEGER REFERENCES batches (id);
      ALTER TABLE jobs ADD COLUMN card_id INTEGER REFERENCES cards (id);
      ALTER TABLE jobs ADD COLUMN slot TEXT;
      ALTER TABLE jobs ADD COLUMN settings TEXT;
      ALTER TABLE jobs ADD COLUMN curve TEXT;
      UPDATE jobs SET card_id = (SELECT id FROM cards WHERE cid = card_cid) WHERE card_cid IS NOT NULL;
      CREATE INDEX jobs_by_batch ON jobs (batch);
      CREATE INDEX jobs_by_card ON jobs (card_id);
    `,
  },
  {
    version: 4,
    // The key of the keyed digests in the identity file of the card.
    sql: 'ALTER TABLE jobs ADD COLUMN files_key BLOB',
  },
];
