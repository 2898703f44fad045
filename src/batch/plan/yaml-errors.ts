import type { ErrorCode } from 'yaml';

/** The parser's errors in our own words: its sentences may quote the text, which may be a key or a password. */
const words: Record<ErrorCode, string> = {
  ALIAS_PROPS: 'an alias (*) can have no anchor or tag of its own',
  BAD_ALIAS: 'an alias (*) names an anchor that is not there',
  BAD_DIRECTIVE: 'there is a line with % that means nothing here',
  BAD_DQ_ESCAPE:
    'a backslash in double quotes is followed by something it cannot stand before; use single quotes',
  BAD_INDENT: 'the line is indented differently from those it belongs to',
  BAD_PROP_ORDER: 'an anchor or tag stands in the wrong place',
  BAD_SCALAR_START: 'a text cannot begin with this sign; put it in quotes',
  BLOCK_AS_IMPLICIT_KEY:
    'there is a second colon, or a list where a text is expected; put texts with a colon in quotes',
  BLOCK_IN_FLOW: 'a line of its own kind stands within brackets or braces',
  BAD_COLLECTION_TYPE: 'there is a tag (!) that does not fit what follows it',
  DUPLICATE_KEY: 'a key is there twice',
  IMPOSSIBLE: 'it cannot be read',
  KEY_OVER_1024_CHARS: 'a key is too long',
  MISSING_CHAR: 'a closing quote, bracket or brace, a comma, a colon or a blank is missing',
  MULTILINE_IMPLICIT_KEY: 'a key goes over several lines, or its colon is missing',
  MULTIPLE_ANCHORS: 'there are two anchors in one place',
  MULTIPLE_DOCS: 'there is a second document after ---',
  MULTIPLE_TAGS: 'there are two tags in one place',
  NON_STRING_KEY: 'a key is not a word',
  RESOURCE_EXHAUSTION: 'it is nested too deep',
  TAB_AS_INDENT: 'a tab is used to indent; use blanks',
  TAG_RESOLVE_FAILED: 'there is a tag (!) that means nothing here; if it is text, put it in quotes',
  UNEXPECTED_TOKEN: 'something stands here that does not belong; put texts with special signs in quotes',
};

export function describeYamlError(code: ErrorCode): string {
  return words[code] ?? 'it cannot be read';
}
