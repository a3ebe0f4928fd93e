// Several files as one zip file, stored and not squeezed (APPNOTE 6.3.x, sections 4.3.7, 4.3.12 and 4.3.16).

const UTF8_NAMES = 0x0800;
const MOST = 0xffffffff;
const CRC_TABLE = Uint32Array.from({ length: 256 }, (_, start) => {
  let value = start;
  for (let bit = 0; bit < 8; bit += 1) value = value & 1 ? 0xedb88320 ^ (value >>> 1) : value >>> 1;
  return value >>> 0;
});

/** A zip of the files under their names; their bytes are read for the check sum and not kept in memory. */
export async function zipFiles(files) {
  const parts = [];
  const directory = [];
  let offset = 0;
  for (const file of files) {
    const name = new TextEncoder().encode(file.name);
    const common = header(file.size, await checkSum(file), name.length);
    parts.push(bytes([4, 0x04034b50]), common, name, file);
    directory.push(bytes([4, 0x02014b50], [2, 20]), common, bytes([2, 0], [2, 0], [2, 0], [4, 0], [4, offset]), name);
    offset += 4 + common.length + name.length + file.size;
    if (offset > MOST || files.length > 0xffff) throw new Error("Together these files are too large for one zip file: make one yourself of parts, and import each.");
  }
  const length = directory.reduce((sum, part) => sum + part.length, 0);
  const end = bytes([4, 0x06054b50], [2, 0], [2, 0], [2, files.length], [2, files.length], [4, length], [4, offset], [2, 0]);
  return new Blob([...parts, ...directory, end], { type: "application/zip" });
}

/** What the header of a file and its entry in the directory have in common. */
function header(size, sum, nameLength) {
  return bytes([2, 20], [2, UTF8_NAMES], [2, 0], [2, 0], [2, 0x21], [4, sum], [4, size], [4, size], [2, nameLength], [2, 0]);
}

/** Numbers as little-endian bytes, each with its width. */
function bytes(...numbers) {
  return Uint8Array.from(numbers.flatMap(([width, value]) => Array.from({ length: width }, (_, place) => Math.floor(value / 256 ** place) % 256)));
}

async function checkSum(file) {
  let sum = 0xffffffff;
  for (const reader = file.stream().getReader(); ;) {
    const { done, value } = await reader.read();
    if (done) return (sum ^ 0xffffffff) >>> 0;
    for (const byte of value) sum = CRC_TABLE[(sum ^ byte) & 0xff] ^ (sum >>> 8);
  }
}
