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
        host_key_public TEXT,
        host_key_fingerprint TEXT,
        identity_file_sha256 TEXT,
        throughput TEXT,
        settled_by_check INTEGER REFERENCES checks (id)
      ) STRICT;
INSERT INTO jobs VALUES(1,'D2E4HDTDHWY3','write','orchard','orchard-01','0.1.0','done','done',NULL,1700000001000,1700000002000,'{"node":"/dev/sdb","majorMinor":"8:16","port":"usb:1-2","lun":0,"vendor":"STORAGE","model":"DEVICE","serial":"20120501030900000","cid":null,"sizeBytes":31914983424,"diskseq":17}',NULL,'20120501030900000','usb:1-2',31914983424,'/images/node-os.img.xz','xz','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',1873805312,NULL,19649,4563792,'581c260b-e0e0-4e62-a86e-1e7383ec2e42','pid:[4026531836]',1,NULL,'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea orchard-01','SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8','cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',NULL,NULL);
INSERT INTO jobs VALUES(2,'VM1X42AQBG0X','write','orchard','orchard-02','0.1.0','done','done',NULL,1700000004000,1700000005000,'{"node":"/dev/sdb","majorMinor":"8:16","port":"usb:1-2","lun":0,"vendor":"STORAGE","model":"DEVICE","serial":"20120501030900000","cid":null,"sizeBytes":31914983424,"diskseq":17}',NULL,'20120501030900000','usb:1-2',31914983424,'/images/node-os.img.xz','xz','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',1873805312,NULL,19649,4563792,'581c260b-e0e0-4e62-a86e-1e7383ec2e42','pid:[4026531836]',1,NULL,NULL,NULL,NULL,NULL,NULL);
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
CREATE TABLE kernel_lines (
        id INTEGER PRIMARY KEY,
        job INTEGER NOT NULL REFERENCES jobs (id),
        line TEXT NOT NULL
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
COMMIT;
