import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { devicesScreen } from '../../src/cli/screens/devices-screen.ts';
import { plainSheet } from '../../src/cli/text/sheet.ts';
import { defaultPolicy } from '../../src/contract/policy.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { approvalCode } from '../../src/guard/approval/approval-code.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import { composeCapture } from '../devices/make-machines.ts';
import { makeOrchard } from '../e2e/make-orchard.ts';
import { startTool, withStation } from '../e2e/run-tool.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { showRollCall } from './roll-call-example.ts';

/** Every screen that the README shows, by name, made by the real commands on a disk of our own. */
export type Examples = Map<string, string>;

const mib = 2 ** 20;

/** Runs a command as the README shows it: the line itself, then both streams as a person sees them. */
async function show(shown: string, args: readonly string[], cwd: string): Promise<string> {
  const { stdout, stderr, status } = await startTool(args, { cwd }).end;
  const exit = status === 0 ? '' : `(exit status ${status})\n`;
  return `$ ${shown}\n${stderr}${stdout}${exit}`;
}

/**
 * The list of disks as it looks at other stations than this one: composed machines (tests/devices/make-machines.ts),
 * through the same graph, guard and screen. Codes are those of a key of zeros.
 */
async function showDevices(machine: string): Promise<string> {
  const graph = await buildDeviceGraph(createReplayReader(await composeCapture(machine)));
  const judged = graph.disks.map((disk) => {
    const result = judgeDisk(disk, { graph, policy: defaultPolicy, image: null });
    const code = approvalCode(new Uint8Array(32), disk, { headDigest: '', tailDigest: '' });
    return { disk, result, code: result.verdict === 'refused' ? null : code, lastWritten: null };
  });
  // That a description of a machine has no drivelist to ask is nothing that its owner would read.
  const shown = { ...graph, unseen: graph.unseen.filter(({ decides }) => decides) };
  return `$ sudo cardwright devices\n${devicesScreen(shown, judged, plainSheet).join('\n')}\n`;
}

/** The examples of a rehearsal: they need neither root nor a disk. */
export async function makeRehearsalExamples(folder: string): Promise<Examples> {
  const examples: Examples = new Map();
  examples.set('devices', await showDevices('usb-reader-two-slots'));
  examples.set('devices-stacked', await showDevices('lvm-over-luks-on-nvme'));
  examples.set('devices-module', await showDevices('emmc-with-boot-areas'));
  examples.set('rollcall', showRollCall());
  examples.set('help', await show('node bin/cardwright.js --help', ['--help'], folder));
  examples.set(
    'rehearse',
    await show(
      'node bin/cardwright.js rehearse',
      ['rehearse', '--folder', join(folder, 'rehearsal')],
      folder,
    ),
  );
  return examples;
}

/** The walk from an image to a card, on a loop device that stands for the card. Needs root. */
export async function makeWalkExamples(): Promise<Examples> {
  const examples: Examples = new Map();
  await withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
    withStation([disk.node], makeOrchard, async (station) => {
      execFileSync('xz', ['-1', '-T2', station.image]);
      fs.writeFileSync(
        station.plan,
        fs.readFileSync(station.plan, 'utf8').replace('node-os.img', 'node-os.img.xz'),
      );
      const sha256 = execFileSync('sha256sum', ['node-os.img.xz'], {
        cwd: station.folder,
        encoding: 'utf8',
      }).slice(0, 64);
      const common = station.common.filter((option) => option !== '--json');
      const run = async (name: string, line: string, args: string[] = line.split(' ').slice(1)) =>
        examples.set(
          name,
          await show(line, [...args.map((arg) => arg.replace('DISK', disk.node)), ...common], station.folder),
        );
      const wide = (line: string) => line.replace('DISK', disk.node);

      await run('inspect', 'cardwright inspect node-os.img.xz');
      await run('plan', 'cardwright plan --check orchard.yaml');
      const code = await station.codeOf(disk.node);
      const write = `cardwright write node-os.img.xz DISK --plan orchard.yaml --node orchard-02 --sha256 ${sha256} --confirm ${code}`;
      const shownWrite = wide(write.replace(sha256, `${sha256.slice(0, 8)}…`));
      examples.set(
        'write',
        await show(shownWrite, [...wide(write).split(' ').slice(1), ...common], station.folder),
      );
      examples.set(
        'stale',
        await show(shownWrite, [...wide(write).split(' ').slice(1), ...common], station.folder),
      );
      await run('verify', wide('cardwright verify DISK'));
      await run('identify', wide('cardwright identify DISK'));
      const again = await station.codeOf(disk.node);
      await run(
        'personalize',
        wide(`cardwright personalize DISK --plan orchard.yaml --node orchard-04 --confirm ${again}`),
      );
      await run('records', 'cardwright records');
      await run('record', 'cardwright records 1');
      await run('labels', 'cardwright labels orchard.yaml');
      const fd = fs.openSync(disk.backingPath, 'r+');
      fs.writeSync(fd, Buffer.from('a weak cell'), 0, 11, 30 * mib);
      fs.closeSync(fd);
      await run('damaged', wide('cardwright verify DISK'));
    }),
  );
  return examples;
}
