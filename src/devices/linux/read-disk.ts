import type { Disk, DiskKind, UnseenFact, Wear } from '../../contract/devices.ts';
import type { Answer, SystemReader } from '../../contract/system-reader.ts';
import { type DevicePlace, devicePlace } from './device-place.ts';
import { diskKind } from './disk-kind.ts';
import { type AttributeSource, parseNumber, readInteger, readOptional } from './read-attribute.ts';

/** sysfs counts disk and partition sizes in units of 512 bytes, whatever the logical block is. */
export const sysfsSectorBytes = 512;

interface Names {
  vendor: string | null;
  model: string | null;
  serial: string | null;
  cid: string | null;
}

/** Page 0x80 of the vital product data (SPC-5, 7.8.18): four bytes of header, then the unit serial number. */
async function readUnitSerial(from: AttributeSource): Promise<string | null> {
  const page = await from.reader.readBytes(`${from.folder}/vpd_pg80`, 0, 256);
  if (!page.ok || page.value.length < 4) return null;
  const length = ((page.value[2] ?? 0) << 8) | (page.value[3] ?? 0);
  const text = new TextDecoder('latin1').decode(page.value.subarray(4, 4 + length));
  return text.replaceAll('\0', '').trim() || null;
}

/** Names come from the device that carries the medium: the mmc card, the NVMe controller, the SCSI unit. */
async function readNames(from: AttributeSource, place: DevicePlace): Promise<Names> {
  const at = (folder: string): AttributeSource => ({ ...from, folder });
  if (place.mmcFolder) {
    const card = at(place.mmcFolder);
    return {
      vendor: await readOptional(card, 'manfid'),
      model: await readOptional(card, 'name'),
      serial: await readOptional(card, 'serial'),
      cid: await readOptional(card, 'cid'),
    };
  }
  const unit = at(place.scsiFolder ?? place.nvmeFolder ?? `${from.folder}/device`);
  const vendor = await readOptional(unit, 'vendor');
  const model = await readOptional(unit, 'model');
  const usbSerial = place.usbFolder ? await readOptional(at(place.usbFolder), 'serial') : null;
  const serial =
    usbSerial ??
    (place.scsiFolder ? await readUnitSerial(unit) : await readOptional(unit, 'serial')) ??
    (await readOptional(from, 'serial'));
  return { vendor, model, serial, cid: null };
}

/** `life_time` and `pre_eol_info` (mmc-dev-attrs in the kernel's documentation; EXT_CSD of JEDEC eMMC 5.0). */
async function readWear(from: AttributeSource): Promise<Wear | null> {
  const lifeTime = await readOptional(from, 'life_time', false);
  const preEndOfLife = await readOptional(from, 'pre_eol_info', false);
  if (lifeTime === null && preEndOfLife === null) return null;
  const [a, b] = lifeTime?.split(/\s+/) ?? [];
  return { lifeTimeA: parseNumber(a), lifeTimeB: parseNumber(b), preEndOfLife: parseNumber(preEndOfLife) };
}

async function readUsbFacts(
  from: AttributeSource,
  place: DevicePlace,
): Promise<Pick<Disk, 'usbId' | 'usbConnectType'>> {
  if (!place.usbFolder) return { usbId: null, usbConnectType: null };
  const usb = { ...from, folder: place.usbFolder };
  const vendor = await readOptional(usb, 'idVendor', false);
  const product = await readOptional(usb, 'idProduct', false);
  return {
    usbId: vendor && product ? `${vendor}:${product}` : null,
    usbConnectType: (await readOptional(usb, 'port/connect_type', false)) ?? 'unknown',
  };
}

async function readGenericNode(reader: SystemReader, place: DevicePlace): Promise<string | null> {
  if (!place.scsiFolder) return null;
  const names = await reader.list(`${place.scsiFolder}/scsi_generic`);
  const name = names.ok ? names.value[0] : undefined;
  return name ? `/dev/${name}` : null;
}

async function checkNode(from: AttributeSource, node: string, majorMinor: string): Promise<void> {
  const numbers = await from.reader.stat(node);
  if (!numbers.ok) {
    from.unseen.push({ what: `the node ${node}`, why: numbers.why, decides: true });
  } else if (numbers.value.kind !== 'block' || numbers.value.rdev !== majorMinor) {
    const why = `it is not block device ${majorMinor}`;
    from.unseen.push({ what: `the node ${node}`, why, decides: true });
  }
}

async function readVirtualFacts(
  from: AttributeSource,
  kind: DiskKind,
): Promise<Pick<Disk, 'backingFile' | 'model'>> {
  if (kind === 'loop') {
    return { backingFile: await readOptional(from, 'loop/backing_file'), model: null };
  }
  const model = kind === 'device-mapper' ? await readOptional(from, 'dm/name') : null;
  return { backingFile: null, model };
}

async function isSet(from: AttributeSource, name: string): Promise<boolean> {
  return ((await readOptional(from, name)) ?? '0') !== '0';
}

/**
 * Reads what sysfs says of one whole disk. `devicePath` is its canonical folder below /sys/devices. Uses,
 * partitions, signatures and links are left empty for others to fill. Facts that could not be had are in `unseen`.
 */
export async function readDisk(reader: SystemReader, devicePath: string): Promise<Disk> {
  const name = devicePath.split('/').at(-1) ?? '';
  const unseen: UnseenFact[] = [];
  const from: AttributeSource = { reader, folder: devicePath, unseen };
  const place = devicePlace(devicePath);
  const mmcFrom = place.mmcFolder ? { ...from, folder: place.mmcFolder } : null;
  const kind = diskKind(devicePath, mmcFrom ? await readOptional(mmcFrom, 'type') : null);
  const node = `/dev/${name.replaceAll('!', '/')}`;
  const numbers = await reader.readText(`${devicePath}/dev`);
  const majorMinor = numbers.ok ? numbers.value.trim() : '';
  if (!numbers.ok) unseen.push({ what: 'device numbers', why: numbers.why, decides: true });
  const hidden = await isSet(from, 'hidden');
  if (!hidden) await checkNode(from, node, majorMinor);
  const sectors = await readInteger(from, 'size');
  const names = await readNames(from, place);
  const virtual = await readVirtualFacts(from, kind);
  const readOnly = (await readInteger(from, 'ro')) !== 0 || (await isSet(from, 'force_ro'));
  return {
    name,
    node,
    majorMinor,
    kind,
    ...names,
    model: virtual.model ?? names.model,
    backingFile: virtual.backingFile,
    port: place.port,
    lun: place.lun,
    sizeBytes: (sectors ?? 0) * sysfsSectorBytes,
    diskseq: await readInteger(from, 'diskseq'),
    logicalBlockBytes: (await readInteger(from, 'queue/logical_block_size')) ?? 0,
    physicalBlockBytes: (await readInteger(from, 'queue/physical_block_size')) ?? 0,
    readOnly,
    hidden,
    removable: await isSet(from, 'removable'),
    ...(await readUsbFacts(from, place)),
    byIds: [],
    partitions: [],
    signatures: null,
    uses: [],
    wear: mmcFrom && kind === 'mmc-emmc' ? await readWear(mmcFrom) : null,
    genericNode: await readGenericNode(reader, place),
    description: null,
    unseen,
  };
}

/** The canonical sysfs folder of a device by its numbers, or why it cannot be had. */
export async function findDeviceFolder(reader: SystemReader, majorMinor: string): Promise<Answer<string>> {
  return reader.realPath(`/sys/dev/block/${majorMinor}`);
}
