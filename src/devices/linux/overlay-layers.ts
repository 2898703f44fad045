import { unescapeOctal } from './octal-escapes.ts';

const layerOptions = new Set(['lowerdir', 'lowerdir+', 'datadir+', 'upperdir', 'workdir']);

/** Splits at `separator` where no backslash stands before it, and takes the backslashes away (overlayfs options). */
function splitUnescaped(text: string, separator: string): string[] {
  const parts = [''];
  for (let at = 0; at < text.length; at++) {
    const char = text[at] ?? '';
    if (char === '\\' && at + 1 < text.length) {
      at++;
      // The backslash stays for a later split by another separator.
      parts.push(`${parts.pop()}\\${text[at]}`);
    } else if (char === separator) {
      parts.push('');
    } else {
      parts.push(parts.pop() + char);
    }
  }
  return parts;
}

/**
 * Folders an overlay is made of, from its mountinfo super options (overlayfs in the kernel's documentation: a colon
 * between lower layers, two before data-only ones, `\:` and `\,` for the characters themselves).
 */
export function overlayLayers(superOptions: string): string[] {
  return splitUnescaped(unescapeOctal(superOptions), ',').flatMap((option) => {
    const at = option.indexOf('=');
    const name = option.slice(0, at);
    if (at < 0 || !layerOptions.has(name)) return [];
    const value = option.slice(at + 1);
    const paths = name === 'lowerdir' ? splitUnescaped(value, ':') : [value];
    return paths.filter((path) => path !== '').map((path) => path.replaceAll(/\\(.)/g, '$1'));
  });
}
