import { Html, html } from './html.ts';

/** What stands near the head of every page of ours: a file that has it may be replaced by a newer one. */
export const pageMark = '<meta name="generator" content="cardwright">';

/**
 * A page in one file. The policy in it (Content Security Policy Level 3) lets a browser load and run nothing at all:
 * should something foreign ever slip through, it stays text.
 *
 * @param style CSS of our own, with nothing foreign in it
 */
export function htmlDocument(title: string, style: string, body: Html): string {
  return html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
${new Html(pageMark)}
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>${title}</title>
<style>
${new Html(style.trim())}
</style>
</head>
<body>
${body}
</body>
</html>
`.markup;
}
