import * as fs from 'node:fs';
import type { DaemonStation } from './daemon-process.ts';

/** What a process holds (proc(5)). */
export interface Held {
  descriptors: number;
  threads: number;
  children: number;
  residentKiB: number;
}

export function heldBy(pid: number): Held {
  const status = fs.readFileSync(`/proc/${pid}/status`, 'utf8');
  const number = (name: string) => Number(new RegExp(`^${name}:\\s+(\\d+)`, 'm').exec(status)?.[1]);
  const children = fs.readFileSync(`/proc/${pid}/task/${pid}/children`, 'utf8').trim();
  return {
    descriptors: fs.readdirSync(`/proc/${pid}/fd`).length,
    threads: number('Threads'),
    children: children === '' ? 0 : children.split(' ').length,
    residentKiB: number('VmRSS'),
  };
}

/** The daemon's two parts. */
export function partsOf({ daemon: { child } }: DaemonStation): Record<'front' | 'station', number> {
  const children = fs.readFileSync(`/proc/${child.pid}/task/${child.pid}/children`, 'utf8').trim().split(' ');
  const isStation = (pid: string) => fs.readFileSync(`/proc/${pid}/cmdline`, 'utf8').includes('station.js');
  return {
    station: Number(children.find(isStation)),
    front: Number(children.find((pid) => !isStation(pid))),
  };
}
