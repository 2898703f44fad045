/** The kernel's parameter for the country of its radios (Linux, net/wireless/reg.c: `ieee80211_regdom` of cfg80211). */
export function countryOnKernelLine(country: string): { add: string[]; remove: string[] } {
  return { add: [`cfg80211.ieee80211_regdom=${country}`], remove: ['cfg80211.ieee80211_regdom='] };
}

/** The same by the module's own settings (modprobe.d(5)): in force when the module is loaded the next time. */
export function countryFile(country: string) {
  return {
    path: '/etc/modprobe.d/cardwright-wifi.conf',
    content: Buffer.from(`options cfg80211 ieee80211_regdom=${country}\n`),
    mode: '0644',
    owner: 'root:root',
  };
}

const everyRadio = '/sys/class/rfkill/*';

/**
 * Switches radios on that the image has switched off until somebody chose a country (Linux, Documentation/ABI/stable/
 * sysfs-class-rfkill: `type`, `soft`). Once for each node, whatever is switched later (cloud-init, module bootcmd:
 * `cloud-init-per`).
 */
export function radioCommand(radios = everyRadio): string {
  const loop = `for r in ${radios}; do [ "$(cat "$r/type" 2>/dev/null)" != wlan ] || echo 0 > "$r/soft"; done`;
  return `cloud-init-per instance cardwright-radio sh -c '${loop}'`;
}
