#!/usr/bin/env python3
"""Measures the desk: python3 tests/bench/desk.py TRUNNION FOLDER [WIDTH HEIGHT STATIONS [KILLS]]

Makes a demo set of that size in FOLDER (16 bit), prepares it, and prints: the first picture of a
station never seen before (prepared and fused), the time from a stroke to the mask prepared again,
peak memory after every station was looked at, what KILLS (default 0) kills with SIGKILL at random moments of saving left
behind, and whether the desk answers beside 10,000 connections. Needs Python's standard library.
"""
import http.client, json, os, pathlib, random, resource, signal, socket, struct, subprocess, sys, time, zlib

program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
width, height, stations = (sys.argv[3:6] + ['1600', '1066', '8'][len(sys.argv[3:6]):])
kills = int(sys.argv[6]) if len(sys.argv) > 6 else 0
workspace = folder / 'specimen'


class Desk:
    def __init__(self):
        self.process = subprocess.Popen([program, 'desk', str(workspace), '--no-browser'],
                                        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        address = self.process.stdout.readline().strip()
        self.port = int(address.split(':')[2].split('/')[0])
        _, headers, _ = self.ask('GET', address[address.index('/?'):])
        self.cookie = headers['Set-Cookie'].split(';')[0]

    cookie = ''

    def ask(self, method, path, body=None):
        link = http.client.HTTPConnection('127.0.0.1', self.port, timeout=120)
        headers = {'Cookie': self.cookie, 'Host': f'127.0.0.1:{self.port}'}
        if body is not None:
            body = json.dumps(body)
            headers |= {'Content-Type': 'application/json', 'Origin': f'http://127.0.0.1:{self.port}'}
        link.request(method, path, body, headers)
        answer = link.getresponse()
        content = answer.read()
        link.close()
        return answer.status, answer.headers, content

    def state(self):
        return json.loads(self.ask('GET', '/state')[2])

    def settle(self):
        while (state := self.state())['running']:
            time.sleep(0.05)
        return state

    def memory_mb(self):
        for line in open(f'/proc/{self.process.pid}/status'):
            if line.startswith('VmHWM'):
                return int(line.split()[1]) / 1024

    def end(self):
        self.process.send_signal(signal.SIGINT)
        self.process.wait()


def tile(desk, view, kind, level):
    status, _, _ = desk.ask('GET', f'/tile?view={view["name"]}&kind={kind}&level={level}&x=0&y=0')
    assert status == 200, status


def stroke(view, y):
    return {'view': view['name'], 'page': 'bench', 'paint': 'add', 'radius_px': 6, 'fill': False,
            'points': [[20, y], [200, y]]}


def pictures(desk, views):
    w, h = views[0]['after_px']
    level = max(0, (max(w, h) - 1) // 512).bit_length()
    for kind, view in (('after', views[1]), ('before', views[2])):
        begun = time.monotonic()
        tile(desk, view, kind, level)
        print(f'first picture, {kind}: {time.monotonic() - begun:.2f} s')


def strokes(desk, views):
    for view in views[3:6]:
        mask = workspace / 'prepared/masks' / f'{view["name"]}.png'
        old = mask.stat().st_mtime_ns
        begun = time.monotonic()
        desk.ask('POST', '/paint', stroke(view, 40))
        saved = time.monotonic() - begun
        while mask.stat().st_mtime_ns == old:
            time.sleep(0.01)
        seen = time.monotonic() - begun
        desk.settle()
        print(f'stroke: saved {saved:.2f} s, mask prepared again {seen:.2f} s, set done '
              f'{time.monotonic() - begun:.2f} s')


def many_connections(desk):
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    links = []
    for _ in range(10_000):
        link = socket.socket()
        link.setblocking(False)
        link.connect_ex(('127.0.0.1', desk.port))
        links.append(link)
    begun = time.monotonic()
    for link in links:
        link.close()
    status = desk.ask('GET', '/state')[0]
    print(f'beside {len(links)} connections: {status} after {time.monotonic() - begun:.2f} s')


def whole(png):
    data = png.read_bytes()
    return data[:8] == b'\x89PNG\r\n\x1a\n' and data[-8:-4] == b'IEND'


def kill_while_saving(count):
    """Dots each in a place of its own: what was answered has to be in the file after the kill."""
    random.seed(1)
    damaged, answered, number = 0, [], 0
    for _ in range(count):
        desk = Desk()
        view = desk.settle()['views'][0]
        painted = workspace / view['source_file']
        painted = painted.with_name(painted.stem + '.mask-add.png')
        pid = os.fork()
        if pid == 0:
            time.sleep(random.uniform(0.0, 0.25))
            os.kill(desk.process.pid, signal.SIGKILL)
            os._exit(0)
        try:
            while True:
                across = (int(width) - 20) // 4
                x, y = 10 + 4 * (number % across), 10 + 4 * (number // across)
                number += 1
                dot = {'view': view['name'], 'page': 'bench', 'paint': 'add', 'radius_px': 0.5, 'points': [[x, y]]}
                if desk.ask('POST', '/paint', dot)[0] == 200:
                    answered.append((x, y))
        except (OSError, http.client.HTTPException):
            pass
        os.waitpid(pid, 0)
        desk.process.wait()
        damaged += painted.exists() and not whole(painted)
    rows = grey_rows(painted)
    # Lens distortion may carry a dot to the next pixel.
    near = lambda x, y: any(rows[y + j][x + i] > 127 for i in (-1, 0, 1) for j in (-1, 0, 1))
    lost = sum(not near(x, y) for x, y in answered)
    print(f'{count} kills: {damaged} files damaged, {lost} of {len(answered)} answered strokes lost')


def grey_rows(png):
    """An 8-bit grey PNG (W3C PNG, 9) as rows of values."""
    data, at, packed = png.read_bytes(), 8, b''
    w, h = struct.unpack('>II', data[16:24])
    while at < len(data):
        size = struct.unpack('>I', data[at:at + 4])[0]
        if data[at + 4:at + 8] == b'IDAT':
            packed += data[at + 8:at + 8 + size]
        at += 12 + size
    raw, rows, above = zlib.decompress(packed), [], bytes(w)
    for y in range(h):
        kind, line = raw[y * (w + 1)], bytearray(raw[y * (w + 1) + 1:(y + 1) * (w + 1)])
        for x in range(w):
            a, b, c = (line[x - 1] if x else 0), above[x], (above[x - 1] if x else 0)
            p = a + b - c
            paeth = min((abs(p - a), 0, a), (abs(p - b), 1, b), (abs(p - c), 2, c))[2]
            line[x] = (line[x] + (0, a, b, (a + b) >> 1, paeth)[kind]) & 255
        above = bytes(line)
        rows.append(above)
    return rows


if not workspace.exists():
    subprocess.run([program, 'demo', str(folder), '--width', width, '--height', height, '--rings', '1',
                    '--stations', stations, '--no-boards', '--quiet'], check=True)
desk = Desk()
begun = time.monotonic()
views = desk.settle()['views']
print(f'{len(views)} stations of {width} x {height}; prepared in {time.monotonic() - begun:.1f} s')
desk.end()
desk = Desk()
desk.settle()
pictures(desk, views)
strokes(desk, views)
for view in views:
    for kind in ('before', 'after', 'mask'):
        tile(desk, view, kind, 0)
print(f'memory at most: {desk.memory_mb():.0f} MB')
many_connections(desk)
desk.end()
if kills:
    kill_while_saving(kills)
