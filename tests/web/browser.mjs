// One way to start Chromium for the checks of the page and for the pictures of the docs: headless,
// a profile of its own that starts empty, nothing in the background, and 3D drawn in software so
// that pixels do not depend on a graphics card.
const QUIET = [
  '--no-sandbox', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update',
  '--disable-sync', '--disable-default-apps', '--disable-extensions', '--disable-dev-shm-usage', '--mute-audio',
];
const SOFTWARE_GL = ['--use-gl=angle', '--use-angle=swiftshader', '--enable-unsafe-swiftshader', '--ignore-gpu-blocklist'];

export const launch = (playwright, executablePath, gl = SOFTWARE_GL) =>
  playwright.chromium.launch({ executablePath, args: [...QUIET, ...gl], timeout: 120_000 });
