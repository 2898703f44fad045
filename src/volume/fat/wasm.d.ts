/** What a bundler with a binary loader makes of an imported WebAssembly file. */
declare module '*.wasm' {
  const bytes: Uint8Array;
  export default bytes;
}
