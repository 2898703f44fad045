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
      , host_names TEXT) STRICT;
INSERT INTO jobs VALUES(1,'929N8WQBMPFS','write','orchard','orchard-01','0.1.0','done','done',NULL,1700000001000,1700000003000,'{"node":"/dev/mmcblk0","majorMinor":"179:0","port":"mmc:0","lun":null,"vendor":"STORAGE","model":"DEVICE","serial":"0x12345678","cid":"0353445343333247801234567801312f","sizeBytes":31914983424,"diskseq":17}','035344534333324780123456780131','0x12345678','mmc:0',31914983424,'/images/node-os.img.xz','xz','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',1873805312,NULL,31314,6013861,'581c260b-e0e0-4e62-a86e-1e7383ec2e42','pid:[4026531836]',3145728,NULL,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',NULL,NULL,'["orchard-01","192.0.2.11"]');
INSERT INTO jobs VALUES(2,'XYBVDXACP5KY','write','orchard','orchard-02','0.1.0','failed','unbootable','job.mismatch',1700000005000,1700000006000,'{"node":"/dev/mmcblk0","majorMinor":"179:0","port":"mmc:0","lun":null,"vendor":"STORAGE","model":"DEVICE","serial":"0x12345678","cid":"0353445343333247801234567801312f","sizeBytes":31914983424,"diskseq":17}','035344534333324780123456780131','0x12345678','mmc:0',31914983424,'/images/node-os.img.xz','xz','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',1873805312,NULL,31314,6013861,'581c260b-e0e0-4e62-a86e-1e7383ec2e42','pid:[4026531836]',NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE phases (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        phase TEXT NOT NULL,
        begun_at_ms INTEGER NOT NULL,
        elapsed_ms REAL,
        bytes INTEGER
      ) STRICT;
INSERT INTO phases VALUES(1,1,'write',1700000002000,1200.0,3145728);
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
INSERT INTO digest_maps VALUES(1,3145728,'a703b6458e2cf90d9806ec9ec28a93bb49e2154de5b0f94eae37e0f21a39547f',X'78016360306000017635d794e645071ffc97b38da99eb5f3c67731d390e2491b2fbce7d3f5c9ee5a79e20501052709280000269f3061');
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
DELETE FROM sqlite_sequence;
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
COMMIT;
