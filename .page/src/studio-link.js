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

const ENDED = 1001; // the code with which the studio closes its lines when it ends

export class Link {
  constructor(onTable, onOpen, onLost, onEnded) {
    Object.assign(this, { number: 0, onTable, onOpen, onLost, onEnded });
    this.open();
  }

  open() {
    const address = new URL("live", location.href);
    address.protocol = "ws:";
    this.socket = new WebSocket(address);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => this.onOpen();
    this.socket.onmessage = ({ data }) => this.onTable(unframed(data));
    this.socket.onclose = ({ code }) => {
      if (code === ENDED) return this.onEnded();
      this.onLost();
      setTimeout(() => this.again(), 1500);
    };
  }

  /** Open a new line, unless what listens there now does not know this page's address. */
  async again() {
    const reply = await fetch("studio.css", { cache: "no-store" }).catch(() => null);
    if (reply && !reply.ok) this.onEnded();
    else this.open();
  }

  /** Send a request; its number, or nothing while there is no line. */
  ask(kind, state, more = {}) {
    if (this.socket.readyState !== WebSocket.OPEN) return null;
    this.number += 1;
    this.socket.send(JSON.stringify({ kind, number: this.number, state, ...more }));
    return this.number;
  }
}
