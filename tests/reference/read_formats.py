#!/usr/bin/env python3
"""Rebuilds projection from each exported file ALONE, with nothing but Python's standard library and
exiftool's JSON, and compares with cameras.json: prints "FILE LARGEST_PX" a line.

read_formats.py PREPARED POINTS_CSV [EXIFTOOL_JSON]
"""
import csv
import json
import math
import re
import struct
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

prepared = Path(sys.argv[1])
points = sorted({tuple(float(row[k]) for k in ('X_mm', 'Y_mm', 'Z_mm'))
                 for row in csv.DictReader(open(sys.argv[2]))})[::8]


def times(rows, vector):
    return [sum(a * b for a, b in zip(row, vector)) for row in rows]


def of_quaternion(w, x, y, z):
    return [[1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)]]


def single(value):
    """What a reader that holds single precision sees."""
    return struct.unpack('f', struct.pack('f', value))[0]


class View:
    """Projection of a world point (mm) with signs, origin and unit as the file tells them."""

    def __init__(self, image, rotation, translation, camera, signs=(1, 1, 1), origin=0.0, unit=1.0):
        self.image, self.rotation, self.translation = image, rotation, translation
        self.camera, self.signs, self.origin, self.unit = camera, signs, origin, unit

    def __call__(self, point):
        x = [a + b for a, b in zip(times(self.rotation, [p * self.unit for p in point]), self.translation)]
        depth = self.signs[2] * x[2] if self.camera['perspective'] else 1.0
        return (self.camera['cx'] + self.signs[0] * self.camera['fx'] * x[0] / depth - self.origin,
                self.camera['cy'] + self.signs[1] * self.camera['fy'] * x[1] / depth - self.origin)


def stem(name):
    return Path(name).stem


truth_json = json.load(open(prepared / 'cameras.json'))
c = truth_json['camera']
perspective = c['projection'] == 'perspective'
truth_camera = {'perspective': perspective, 'fx': c['fx_px' if perspective else 'fx_px_per_mm'],
                'fy': c['fy_px' if perspective else 'fy_px_per_mm'], 'cx': c['cx_px'], 'cy': c['cy_px']}
truth = {stem(v['image']): View(v['image'], v['pose']['rotation'], v['pose']['translation_mm'], truth_camera)
         for v in truth_json['views']}


def report(name, views):
    assert len(views) == len(truth), (name, len(views))
    worst = 0.0
    for view in views:
        for point in points:
            (u, v), (a, b) = view(point), truth[stem(view.image)](point)
            distance = math.hypot(u - a, v - b)
            worst = distance if not distance <= worst else worst
    print(f'{name} {worst:.9f}')


def of_comments(text):
    line = next(l for l in text.splitlines() if l.startswith('# image '))
    value = {k: float(re.search(rf'\b{k} (\S+?)[ ;]', line + ' ').group(1)) for k in ('fx', 'fy', 'cx', 'cy')}
    return {'perspective': 'telecentric' not in line, **value}


def rows(name):
    text = open(prepared / name).read()
    lines = [l for l in text.splitlines() if not l.startswith('#')]
    return of_comments(text), list(csv.DictReader(lines))


def exterior():
    camera, table = rows('exterior.csv')
    views = []
    for row in table:
        o, p, k = (math.radians(float(row[f'{n}_deg'])) for n in ('omega', 'phi', 'kappa'))
        co, so, cp, sp, ck, sk = math.cos(o), math.sin(o), math.cos(p), math.sin(p), math.cos(k), math.sin(k)
        object_from_image = [[cp * ck, -cp * sk, sp],
                             [co * sk + so * sp * ck, co * ck - so * sp * sk, -so * cp],
                             [so * sk - co * sp * ck, so * ck + co * sp * sk, co * cp]]
        image_from_object = [list(column) for column in zip(*object_from_image)]
        centre = [float(row[f'{n}_mm']) for n in 'XYZ']
        translation = [-t for t in times(image_from_object, centre)]
        views.append(View(row['image'], image_from_object, translation, camera, (1, -1, -1)))
    report('exterior.csv', views)


def matrix_and_quaternion():
    camera, table = rows('poses_matrix.csv')
    report('poses_matrix.csv',
           [View(r['image'], [[float(r[f'rotation_{i}{j}']) for j in (1, 2, 3)] for i in (1, 2, 3)],
                 [float(r[f'translation_{a}_mm']) for a in 'xyz'], camera) for r in table])
    camera, table = rows('poses_quaternion.csv')
    report('poses_quaternion.csv',
           [View(r['image'], of_quaternion(*(float(r[f'rotation_{a}']) for a in 'wxyz')),
                 [float(r[f'translation_{a}_mm']) for a in 'xyz'], camera) for r in table])


def gltf():
    scene = json.load(open(prepared / 'cameras.gltf'))
    views = []
    for node in (scene['nodes'][i] for i in scene['scenes'][0]['nodes']):
        if 'camera' not in node:
            continue
        lens = scene['cameras'][node['camera']]
        width, height = lens['extras']['width_px'], lens['extras']['height_px']
        x, y, z, w = (single(v) for v in node['rotation'])
        camera_from_scene = [list(column) for column in zip(*of_quaternion(w, x, y, z))]
        # The scene has +Y up: (X, Y, Z) of the world stands as (X, Z, -Y).
        rotation = [[r[0], -r[2], r[1]] for r in camera_from_scene]
        translation = [-t for t in times(camera_from_scene, [single(v) for v in node['translation']])]
        if lens['type'] == 'perspective':
            tangent = math.tan(single(lens['perspective']['yfov']) / 2)
            fx = width / (2 * tangent * single(lens['perspective']['aspectRatio']))
            fy = height / (2 * tangent)
        else:
            fx = width / (2 * single(lens['orthographic']['xmag']))
            fy = height / (2 * single(lens['orthographic']['ymag']))
        camera = {'perspective': lens['type'] == 'perspective', 'fx': fx, 'fy': fy,
                  'cx': (width - 1) / 2, 'cy': (height - 1) / 2}
        views.append(View(node['extras']['image'], rotation, translation, camera, (1, -1, -1), 0.0, 0.001))
    report('cameras.gltf', views)


def opencv():
    """Holds the camera only: the poses are those of cameras.json."""
    text = open(prepared / 'camera.yml').read()
    kind = 'camera_matrix' if perspective else 'telecentric_matrix'
    data = re.search(rf'^{kind}:.*?data: \[(.*?)\]', text, re.S | re.M).group(1)
    k = [float(v) for v in data.split(',')]
    camera = {'perspective': perspective, 'fx': k[0], 'fy': k[4], 'cx': k[2], 'cy': k[5]}
    report('camera.yml', [View(t.image, t.rotation, t.translation, camera) for t in truth.values()])


UNIT = {'um': 1000.0, 'mm': 1.0, 'cm': 0.1, 'm': 0.001}


def matrix_text(path):
    text = open(path).read()
    unit = UNIT[re.search(r'length unit: (\w+)', text).group(1)]
    signs = [int(s) for s in re.search(r'signs of x, y, z (\S+) (\S+) (\S+)', text).groups()]
    origin = 0.5 if 'pixel origin: corner' in text else 0.0
    line = re.search(r'# image width .*', text).group()
    value = {k: float(re.search(rf'\b{k} ([^\s,]+)', line).group(1)) for k in ('fx', 'fy', 'cx', 'cy')}
    camera = {'perspective': ', perspective,' in text, **{k: value[k] for k in ('fx', 'fy', 'cx', 'cy')}}
    views = []
    for line in text.splitlines():
        if line.startswith('#'):
            continue
        name, *v = line.split()
        v = [float(x) for x in v]
        views.append(View(name, [v[0:3], v[4:7], v[8:11]], [v[3], v[7], v[11]], camera, signs, origin, unit))
    return views


def views_text(path):
    head, *blocks = [dict(line.strip().split(': ', 1) for line in block.splitlines() if ': ' in line and line[0] != '#')
                     for block in open(path).read().split('\n\n')]
    unit = UNIT[head['length unit']]
    signs = [int(s) for s in head['signs of x, y, z against x right, y down, z forward'].split()]
    origin = 0.5 if head['pixel origin'].startswith('corner') else 0.0
    fx, fy = map(float, head['scale fx and fy'].split())
    cx, cy = map(float, head['principal point cx and cy, px'].split())
    camera = {'perspective': head['projection'] == 'perspective', 'fx': fx, 'fy': fy, 'cx': cx, 'cy': cy}
    assert int(head['number of views']) == len(blocks)
    views = []
    for block in blocks:
        q = block['rotation of camera_from_world, quaternion w x y z'].split()
        t = block['translation of camera_from_world, x y z'].split()
        views.append(View(block['image'], of_quaternion(*map(float, q)), list(map(float, t)), camera, signs, origin, unit))
    return views


def document(path):
    root = ElementTree.parse(path).getroot()
    unit = UNIT[root.get('length-unit')]
    frame, lens = root.find('frame'), root.find('camera')
    signs = [int(frame.get(f'sign-{a}')) for a in 'xyz']
    origin = 0.5 if lens.get('pixel-origin').startswith('corner') else 0.0
    scale, point = lens.find('scale'), lens.find('principal-point')
    camera = {'perspective': lens.get('projection') == 'perspective', 'fx': float(scale.get('x')),
              'fy': float(scale.get('y')), 'cx': float(point.get('x')), 'cy': float(point.get('y'))}
    angle = 1.0 if root.get('angle-unit') == 'rad' else math.pi / 180
    views = []
    for view in root.findall('view'):
        r = [float(v) for v in view.find('rotation').text.split()]
        t = [float(v) for v in view.find('translation').text.split()]
        views.append(View(view.get('image'), [r[0:3], r[3:6], r[6:9]], t, camera, signs, origin, unit))
        # Angles follow their unit.
        expected = next(v for v in truth_json['views'] if v['name'] == view.get('name'))['stage_angle_deg']
        assert abs(float(view.get('stage-angle')) * angle - math.radians(expected)) < 1e-9
    return views


def templates():
    for path in sorted((prepared / 'text').iterdir()):
        read = matrix_text if path.name.startswith('matrix') else document if path.suffix == '.xml' else views_text
        report(f'text/{path.name}', read(path))
    single_files = sorted((prepared / 'each').iterdir())
    views = []
    for path in single_files:
        name, *v = open(path).read().split()
        v = [float(x) for x in v]
        camera = {'perspective': perspective, 'fx': v[0], 'fy': v[1], 'cx': v[2], 'cy': v[3]}
        views.append(View(name, [v[4:7], v[7:10], v[10:13]], v[13:16], camera))
    report('each/NAME.txt', views)


def image_tags(file):
    """What the images say of themselves, as exiftool read it: pose and camera from XMP, then the
    focal length from Exif instead."""
    def numbers(value):
        return [float(v) for v in value]
    from_xmp, from_exif, sidecars = [], [], []
    for tags in json.load(open(file)):
        x = {k.split(':')[1]: v for k, v in tags.items() if k.startswith('XMP-trunnion:')}
        r, t = numbers(x['CameraFromWorld_rows']), numbers(x['Translation_mm'])
        kind = ('FocalX_px', 'FocalY_px') if perspective else ('ScaleX_px_per_mm', 'ScaleY_px_per_mm')
        camera = {'perspective': x['Projection'] == 'perspective', 'fx': float(x[kind[0]]), 'fy': float(x[kind[1]]),
                  'cx': float(x['PrincipalPointX_px']), 'cy': float(x['PrincipalPointY_px'])}
        view = View(tags['SourceFile'], [r[0:3], r[3:6], r[6:9]], t, camera)
        if tags['SourceFile'].endswith('.xmp'):
            sidecars.append(view)
            continue
        from_xmp.append(view)
        if perspective:
            focal = float(tags['ExifIFD:FocalLength'])
            exif = {**camera, 'fx': focal * float(tags['ExifIFD:FocalPlaneXResolution']) / 10,
                    'fy': focal * float(tags['ExifIFD:FocalPlaneYResolution']) / 10}
            assert tags['ExifIFD:FocalPlaneResolutionUnit'] == 3  # cm
            from_exif.append(View(tags['SourceFile'], view.rotation, t, exif))
    report('images:XMP', from_xmp)
    report('sidecars:XMP', sidecars)
    if from_exif:
        report('images:Exif', from_exif)


def centres():
    """Centres lie where the poses have them; the scale file holds their distances. In 1/1000 mm."""
    def centre(view):
        return [-t for t in times([list(column) for column in zip(*view.rotation)], view.translation)]
    lines = open(prepared / 'centres.ply').read().split('end_header\n')[1].splitlines()
    worst = max(math.dist([float(v) for v in line.split()], centre(view))
                for line, view in zip(lines, truth.values()))
    assert len(lines) == len(truth)
    print(f'centres.ply {worst * 1000:.9f}')
    text = [l for l in open(prepared / 'scale.csv').read().splitlines() if not l.startswith('#')]
    worst = max(abs(math.dist(centre(truth[stem(r['image_a'])]), centre(truth[stem(r['image_b'])]))
                    - float(r['distance_mm'])) for r in csv.DictReader(text))
    print(f'scale.csv {worst * 1000:.9f}')


exterior()
matrix_and_quaternion()
gltf()
opencv()
templates()
centres()
if len(sys.argv) > 3:
    image_tags(sys.argv[3])
