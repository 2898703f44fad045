import { finding } from '../../contract/finding.ts';
import { editKernelLine, settingsFiles } from '../boot-settings.ts';
import { isVersionAtLeast } from '../first-boot-program.ts';
import { type NodeFileParts, type NodeFileSet, refusedFor, textFile } from '../node-file-set.ts';
import { homeCommands } from './first-boot-files.ts';
import { mergeMetaData } from './meta-data.ts';
import { makeNetworkConfig } from './network-config.ts';
import { countryFile, countryOnKernelLine, radioCommand } from './radio.ts';
import { localeCommands } from './system-settings.ts';
import { mergeUserData } from './user-data.ts';

function oneLine(text: string): string {
  return text.replace(/[^\x20-\x7e]+/g, ' ').slice(0, 200);
}

/** What a wireless node needs beside its network settings, so that its radio speaks from the first start on. */
function prepareRadio({ plan, node, existing, root }: NodeFileParts) {
  const { wifi } = plan.network;
  const none = { knowsCountry: false, commands: [], files: [], kernelLine: null, replaced: [], findings: [] };
  if (wifi === null || node.link !== 'wifi') return none;
  const { country } = wifi;
  const netplan = root?.state === 'read' ? root.facts.netplanVersion : null;
  // netplan, "regulatory-domain": since 0.105. Older ones stop at it.
  const knowsCountry = isVersionAtLeast(netplan, 0, 105) === true;
  const commands = [radioCommand()];
  const cmdline = existing.cmdline ?? null;
  if (cmdline === null) {
    const findings = knowsCountry ? [] : [finding('identity.wifi-country-later', 'note', { country })];
    return { ...none, knowsCountry, commands, files: [countryFile(country)], findings };
  }
  const { text, removed } = editKernelLine(cmdline, countryOnKernelLine(country));
  const replaced = removed.map((word) => `${settingsFiles.cmdline}: ${word}`);
  return { ...none, knowsCountry, commands, kernelLine: text === cmdline ? null : text, replaced };
}

/** The files of the first-boot program's NoCloud source: user-data, network-config, meta-data; and a wireless node's kernel line. */
export function makeNoCloudFiles(parts: NodeFileParts): NodeFileSet {
  const { plan, node, existing, instanceId, recordNote } = parts;
  const { hostKeys = [], firstBootFiles = [] } = parts;
  const note = oneLine(`${node.name} of ${plan.set}${recordNote ? `, ${recordNote}` : ''}`);
  const radio = prepareRadio(parts);
  const userData = mergeUserData(existing.userData, {
    name: node.name,
    domain: plan.network.domain,
    access: plan.access,
    system: plan.system,
    hostKeys,
    note,
    firstCommands: [
      ...(parts.firstBootFixes ?? []),
      ...localeCommands(plan.system.locale),
      ...radio.commands,
    ],
    files: [...radio.files, ...firstBootFiles],
    commands: [...homeCommands(firstBootFiles), ...node.firstBoot.commands],
  });
  if (!userData.ok) {
    return refusedFor([finding('identity.unmergeable', 'refuse', { file: 'user-data', why: userData.why })]);
  }
  const metaData = mergeMetaData(existing.metaData, node.name, instanceId);
  const { knowsCountry } = radio;
  const network = makeNetworkConfig(existing.networkConfig, { node, network: plan.network, knowsCountry });
  const settings = userData.otherAccess.join(', ');
  return {
    files: [
      // Any of the image's own settings may be a secret, and the hash and host key are.
      textFile('user-data', userData.text, true),
      textFile('network-config', network.text, network.isSecret || existing.networkConfig !== null),
      textFile('meta-data', metaData.text, false),
      ...(radio.kernelLine === null ? [] : [textFile(settingsFiles.cmdline, radio.kernelLine, false)]),
    ],
    remove: [],
    replaced: [...userData.replaced, ...metaData.replaced, ...network.replaced, ...radio.replaced],
    findings: [
      ...(userData.bringsHostKeys && hostKeys.length === 0
        ? [finding('identity.shared-host-keys', 'note')]
        : []),
      ...(settings === '' ? [] : [finding('identity.image-access', 'note', { settings })]),
      ...radio.findings,
    ],
  };
}
