PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
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
        identity_file_sha256 TEXT,
        throughput TEXT,
        settled_by_check INTEGER REFERENCES checks (id)
      , host_names TEXT, batch INTEGER REFERENCES batches (id), card_id INTEGER REFERENCES cards (id), slot TEXT, settings TEXT, curve TEXT) STRICT;
INSERT INTO jobs VALUES(1,'38M3RHJ1AMHT','write','orchard','orchard-01','0.1.0','done','done',NULL,1700000002000,1700000004000,'{"node":"/dev/sdb","majorMinor":"8:16","port":"usb:1-2","lun":0,"vendor":"STORAGE","model":"DEVICE","serial":"20120501030900000","cid":null,"sizeBytes":31914983424,"diskseq":17}',NULL,'20120501030900000','usb:1-2',31914983424,'/images/node-os.img.xz','xz','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',1873805312,NULL,1,1,'gone',NULL,2097152,4096,NULL,NULL,NULL,NULL,1,1,'A1','{"network":"abababababababababababababababababababababababababababababababab"}','[{"phase":"write","points":[{"elapsedMs":10,"doneBytes":512}]}]');
INSERT INTO jobs VALUES(2,'5SSFM60XVC32','write','orchard','orchard-02','0.1.0','failed','unknown','media.gone',1700000006000,1700000008000,'{"node":"/dev/mmcblk0","majorMinor":"179:0","port":"mmc:0","lun":null,"vendor":"STORAGE","model":"DEVICE","serial":"0x12345678","cid":"0353445343333247801234567801312f","sizeBytes":31914983424,"diskseq":17}','035344534333324780123456780131','0x12345678','mmc:0',31914983424,'/images/node-os.img.xz','xz','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',1873805312,NULL,1,1,'gone',NULL,NULL,NULL,NULL,NULL,NULL,NULL,1,2,NULL,NULL,NULL);
CREATE TABLE phases (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        phase TEXT NOT NULL,
        begun_at_ms INTEGER NOT NULL,
        elapsed_ms REAL,
        bytes INTEGER
      ) STRICT;
CREATE TABLE checks (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job INTEGER NOT NULL REFERENCES jobs (id),
        at_ms INTEGER NOT NULL,
        verdict TEXT NOT NULL CHECK (verdict IN ('good', 'bad', 'unfinished')),
        bytes_read_back INTEGER NOT NULL
      ) STRICT;
CREATE TABLE findings (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        check_id INTEGER REFERENCES checks (id),
        code TEXT NOT NULL,
        severity TEXT NOT NULL,
        facts TEXT NOT NULL
      ) STRICT;
CREATE TABLE digest_maps (
        job INTEGER PRIMARY KEY REFERENCES jobs (id),
        size_bytes INTEGER NOT NULL,
        root TEXT NOT NULL,
        packed BLOB NOT NULL
      ) STRICT;
INSERT INTO digest_maps VALUES(1,2097152,'193f070037a3696bf0f3f130c75c957a5c1a0ec2081e2fa339350a0c481f81cf',X'78016360506000017635d794e645071ffc97b38da99eb5f3c67731d390e2491b2fbce7d3f5c9ee5a79e2050105000a942021');
CREATE TABLE kernel_lines (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        line TEXT NOT NULL
      ) STRICT;
CREATE TABLE host_keys (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        public_key TEXT NOT NULL,
        fingerprint TEXT NOT NULL
      ) STRICT;
CREATE TABLE sets (
        name TEXT PRIMARY KEY,
        plan_path TEXT
      ) STRICT;
INSERT INTO sets VALUES('orchard','/srv/orchard.yaml');
CREATE TABLE nodes (
        set_name TEXT NOT NULL REFERENCES sets (name),
        name TEXT NOT NULL,
        slot TEXT,
        place INTEGER NOT NULL,
        PRIMARY KEY (set_name, name)
      ) STRICT;
INSERT INTO nodes VALUES('orchard','orchard-01','A1',0);
INSERT INTO nodes VALUES('orchard','orchard-02',NULL,1);
CREATE TABLE cards (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        cid TEXT UNIQUE,
        serial TEXT,
        port TEXT,
        size_bytes INTEGER NOT NULL,
        first_seen_at_ms INTEGER NOT NULL
      ) STRICT;
INSERT INTO cards VALUES(1,NULL,'20120501030900000','usb:1-2',31914983424,1700000003000);
INSERT INTO cards VALUES(2,'035344534333324780123456780131','0x12345678','mmc:0',31914983424,1700000007000);
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
INSERT INTO batches VALUES(1,'orchard','/srv/orchard.yaml','0.1.0','[{"name":"orchard-01","slot":"A1"},{"name":"orchard-02","slot":null}]',1700000001000,1700000009000,'not-all-done','/srv/node-os.img',2097152,'193f070037a3696bf0f3f130c75c957a5c1a0ec2081e2fa339350a0c481f81cf',1000,1,1,'gone',NULL);
CREATE TABLE image_maps (
        root TEXT PRIMARY KEY,
        size_bytes INTEGER NOT NULL,
        packed BLOB NOT NULL
      ) STRICT;
INSERT INTO image_maps VALUES('193f070037a3696bf0f3f130c75c957a5c1a0ec2081e2fa339350a0c481f81cf',2097152,X'78016360506000017635d794e645071ffc97b38da99eb5f3c67731d390e2491b2fbce7d3f5c9ee5a79e2050105000a942021');
DELETE FROM sqlite_sequence;
INSERT INTO sqlite_sequence VALUES('cards',2);
INSERT INTO sqlite_sequence VALUES('batches',1);
INSERT INTO sqlite_sequence VALUES('jobs',2);
CREATE INDEX jobs_by_node ON jobs (set_name, node);
CREATE INDEX jobs_by_cid ON jobs (card_cid);
CREATE INDEX jobs_by_size ON jobs (card_size_bytes);
CREATE INDEX jobs_open ON jobs (state) WHERE state IN ('running', 'sealing');
CREATE INDEX phases_by_job ON phases (job);
CREATE INDEX checks_by_job ON checks (job);
CREATE INDEX findings_by_job ON findings (job);
CREATE INDEX kernel_lines_by_job ON kernel_lines (job);
CREATE INDEX host_keys_by_job ON host_keys (job);
CREATE INDEX batches_by_set ON batches (set_name);
CREATE INDEX jobs_by_batch ON jobs (batch);
CREATE INDEX jobs_by_card ON jobs (card_id);
COMMIT;
