import type { UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { isAbsent } from './read-attribute.ts';

const folder = '/sys/firmware/efi/efivars';
/** systemd's Boot Loader Interface, and the UEFI specification's global variables (3.3). */
const loaderVendor = '4a67b082-0a4c-41cf-b6c7-440b29bb8c4f';
const globalVendor = '8be4df61-93ca-11d2-aa0d-00e098032b8c';
/** efivarfs puts the variable's attributes in front of its value. */
const attributeBytes = 4;

interface Look {
  reader: SystemReader;
  unseen: UnseenFact[];
}

async function readVariable({ reader, unseen }: Look, name: string): Promise<DataView | null> {
  const answer = await reader.readBytes(`${folder}/${name}`, 0, 4096);
  if (!answer.ok) {
    if (!isAbsent(answer)) unseen.push({ what: `EFI variable ${name}`, why: answer.why, decides: true });
    return null;
  }
  if (answer.value.length <= attributeBytes) return null;
  const { buffer, byteOffset, byteLength } = answer.value;
  return new DataView(buffer, byteOffset + attributeBytes, byteLength - attributeBytes);
}

const hex = (value: number, digits: number): string => value.toString(16).padStart(digits, '0');

function bytesAsHex(view: DataView, at: number, count: number): string {
  return Array.from({ length: count }, (_, index) => hex(view.getUint8(at + index), 2)).join('');
}

/** A GUID as stored: the first three fields little-endian (UEFI specification, appendix A). */
function readGuid(view: DataView, at: number): string {
  const first = [
    hex(view.getUint32(at, true), 8),
    hex(view.getUint16(at + 4, true), 4),
    hex(view.getUint16(at + 6, true), 4),
  ];
  return [...first, bytesAsHex(view, at + 8, 2), bytesAsHex(view, at + 10, 6)].join('-');
}

/** Hard-drive node of a device path (UEFI specification, 10.3.5.1): the partition as the kernel names it. */
function readHardDrive(view: DataView, at: number): string | null {
  const signatureType = view.getUint8(at + 41);
  if (signatureType === 2) return readGuid(view, at + 24);
  // An MBR disk signature: the kernel's partition UUID is that number and the partition's.
  if (signatureType === 1)
    return `${hex(view.getUint32(at + 24, true), 8)}-${hex(view.getUint32(at + 4, true), 2)}`;
  return null;
}

/** Partition UUIDs in an EFI_LOAD_OPTION (UEFI specification, 3.1.3). */
export function partUuidsOfLoadOption(view: DataView): string[] {
  const found: string[] = [];
  const pathBytes = view.byteLength >= 6 ? view.getUint16(4, true) : 0;
  let at = 6;
  while (at + 2 <= view.byteLength && view.getUint16(at, true) !== 0) at += 2;
  at += 2;
  const end = Math.min(view.byteLength, at + pathBytes);
  while (at + 4 <= end) {
    const length = view.getUint16(at + 2, true);
    const isHardDrive = view.getUint8(at) === 4 && view.getUint8(at + 1) === 1;
    const uuid = isHardDrive && length >= 42 && at + 42 <= end ? readHardDrive(view, at) : null;
    if (uuid) found.push(uuid);
    if (length < 4) break;
    at += length;
  }
  return found;
}

/** UUIDs of the partitions that the firmware and its boot loader say they started from; empty without EFI. */
export async function readEfiBootPartitions(reader: SystemReader, unseen: UnseenFact[]): Promise<string[]> {
  const look: Look = { reader, unseen };
  const found = new Set<string>();
  const loader = await readVariable(look, `LoaderDevicePartUUID-${loaderVendor}`);
  if (loader) {
    const text = new TextDecoder('utf-16le').decode(loader).replaceAll('\0', '').toLowerCase();
    if (/^[0-9a-f-]{11,36}$/.test(text)) found.add(text);
  }
  const current = await readVariable(look, `BootCurrent-${globalVendor}`);
  if (current && current.byteLength >= 2) {
    const number = hex(current.getUint16(0, true), 4).toUpperCase();
    const option = await readVariable(look, `Boot${number}-${globalVendor}`);
    for (const uuid of option ? partUuidsOfLoadOption(option) : []) found.add(uuid);
  }
  return [...found];
}
