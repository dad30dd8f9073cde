// Reading a QR code by the phone's camera, where the browser can do that by itself.

const EVERY = 200; // ms between two looks at the picture
let stream = null;

// Why this browser cannot scan, in a sentence; nothing where it can.
export function whyNot() {
  if (!window.isSecureContext) return "The camera can be used when the pages are served over TLS (https). Until then, type the DevEUI, or paste what another scanner reads.";
  if (!navigator.mediaDevices?.getUserMedia) return "This browser gives no camera to pages. Type the DevEUI, or paste what another scanner reads.";
  if (!("BarcodeDetector" in window)) return "This browser cannot read QR codes. Scan with the phone's own camera and paste the text, or type the DevEUI.";
  return "";
}

// Shows the camera in `video` until a code is seen; resolves to its text, or to null where it was stopped.
export async function scan(video) {
  const detector = new BarcodeDetector({ formats: ["qr_code"] });
  const mine = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  stop();
  stream = mine;
  video.srcObject = mine;
  await video.play();
  while (stream === mine) {
    const [code] = await detector.detect(video).catch(() => []);
    if (code?.rawValue) {
      stop();
      return code.rawValue;
    }
    await new Promise((next) => setTimeout(next, EVERY));
  }
  return null;
}

export function stop() {
  stream?.getTracks().forEach((track) => track.stop());
  stream = null;
}
