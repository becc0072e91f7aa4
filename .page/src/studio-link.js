// The line to the server: frames in, requests out, and a new line when one is lost.

const TYPES = { float32: Float32Array, int16: Int16Array, uint16: Uint16Array, uint32: Uint32Array, uint8: Uint8Array };

/** The table of a frame, with its arrays by name. */
export function unframed(buffer) {
  const size = new DataView(buffer).getUint32(0, true);
  const table = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size)));
  const arrays = {};
  for (const [name, { type, start, length }] of Object.entries(table.arrays)) {
    arrays[name] = new TYPES[type](buffer, 4 + size + start, length);
  }
  return { ...table, arrays };
}

export class Link {
  constructor(onTable, onOpen, onLost) {
    this.number = 0;
    this.onTable = onTable;
    this.onOpen = onOpen;
    this.onLost = onLost;
    this.open();
  }

  open() {
    const address = new URL("live", location.href);
    address.protocol = "ws:";
    this.socket = new WebSocket(address);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => this.onOpen();
    this.socket.onmessage = ({ data }) => this.onTable(unframed(data));
    this.socket.onclose = () => {
      this.onLost();
      setTimeout(() => this.open(), 1500);
    };
  }

  /** Send a request; its number, or nothing while there is no line. */
  ask(kind, state, more = {}) {
    if (this.socket.readyState !== WebSocket.OPEN) return null;
    this.number += 1;
    this.socket.send(JSON.stringify({ kind, number: this.number, state, ...more }));
    return this.number;
  }
}
