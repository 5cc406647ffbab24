// One event stream for all tabs of a browser: it opens few connections to one host, and STOP must get one.
//
// Runs as a shared worker; a page whose browser has none imports `follow` and keeps a stream of its own.

const PATH = "/api/v1/events/stream";
const RETRY_MS = 2000;

// Tells what the daemon says until the answer is called. Its age is how long ago that came, ms.
export function follow(tell) {
  let source;
  let again;
  const open = () => {
    source = new EventSource(PATH);
    source.addEventListener("open", () => tell({ kind: "open", age: 0 }));
    source.addEventListener("message", (event) => tell({ kind: "event", data: JSON.parse(event.data), age: 0 }));
    source.addEventListener("status", (event) => tell({ kind: "status", data: JSON.parse(event.data), age: 0 }));
    // A stream that was refused is not tried again by the browser itself.
    source.addEventListener("error", () => {
      if (source.readyState === EventSource.CLOSED) again = setTimeout(open, RETRY_MS);
    });
  };
  open();
  return () => {
    clearTimeout(again);
    source.close();
  };
}

const tabs = new Set();
const newest = new Map();

function relay(message) {
  if (message.kind === "status") newest.set(message.data.station, { message, at: performance.now() });
  for (const tab of tabs) tab.postMessage(message);
}

if ("onconnect" in globalThis) {
  globalThis.onconnect = ({ ports: [tab] }) => {
    tabs.add(tab);
    // All that a tab ever says is that it is gone.
    tab.onmessage = () => tabs.delete(tab);
    for (const { message, at } of newest.values()) tab.postMessage({ ...message, age: performance.now() - at });
    if (tabs.size > 0 && !globalThis.following) globalThis.following = follow(relay);
  };
}
