// SPDX-License-Identifier: GPL-3.0-or-later
// The body: a tube along the centreline. Free parts are smooth and light; frozen parts are ribbed (grooves cut into the
// true radius, never beyond it) and dark. An engaged lock is a closed drum, a released one an open spool.

import * as THREE from 'three';
import type { BodyState, Centreline, Design, Pose } from '../kinematics.ts';
import { Shape } from '../kinematics.ts';
import { tone } from '../dom.ts';

const kAround = 24;
const kDomeRings = 5;
const kGroove = 0.8;
const kTexture = 2048;

interface Ring {
  s: number;
  /** 0 on the body; 1 at the tip dome's pole. */
  dome: number;
  groove: boolean;
}

/** Period of the ribs of a frozen part, mm. */
const ribPeriod = (design: Design) => Math.max(1.6 * design.radius_mm, design.length_mm / 60);

/** The station that the shaft behind the segment is drawn from, mm. */
export const shaftFrom = (state: BodyState, design: Design) => -(state.insertion_mm + 0.15 * design.length_mm);

function tubeRings(design: Design): Ring[] {
  const rings: Ring[] = [
    { s: -1, dome: 0, groove: false },
    { s: 0, dome: 0, groove: false },
  ];
  const half = ribPeriod(design) / 2;
  const count = Math.ceil(design.length_mm / half);
  for (let i = 0; i < count; ++i) {
    const from = i * half;
    const to = Math.min(design.length_mm, from + half);
    for (let k = 0; k <= 2; ++k) rings.push({ s: from + ((to - from) * k) / 2, dome: 0, groove: i % 2 === 1 });
  }
  for (let i = 1; i <= kDomeRings; ++i) rings.push({ s: design.length_mm, dome: i / kDomeRings, groove: false });
  return rings;
}

function tubeIndex(rings: number): number[] {
  const index: number[] = [];
  for (let i = 0; i + 1 < rings; ++i)
    for (let k = 0; k < kAround; ++k) {
      const a = i * (kAround + 1) + k;
      const b = a + kAround + 1;
      index.push(a, a + 1, b, b, a + 1, b + 1);
    }
  return index;
}

/** Draws the same surface a little larger, inside out, in one tone: a dark outline on any ground. */
function outlineMaterial(): THREE.ShaderMaterial {
  return new THREE.ShaderMaterial({
    side: THREE.BackSide,
    uniforms: { colour: { value: new THREE.Color() }, width: { value: 0.0022 } },
    vertexShader: /* glsl */ `
      uniform float width;
      void main() {
        vec4 eye = modelViewMatrix * vec4(position, 1.0);
        eye.xyz += normalize(normalMatrix * normal) * width * -eye.z;
        gl_Position = projectionMatrix * eye;
      }`,
    fragmentShader: /* glsl */ `
      uniform vec3 colour;
      void main() {
        gl_FragColor = vec4(colour, 1.0);
        #include <colorspace_fragment>
      }`,
  });
}

/** Shows a surface only where it turns away from the eye: its outline, seen through. */
function rimMaterial(): THREE.ShaderMaterial {
  return new THREE.ShaderMaterial({
    transparent: true,
    depthWrite: false,
    uniforms: { colour: { value: new THREE.Color() } },
    vertexShader: /* glsl */ `
      varying vec3 facing;
      varying vec3 towards;
      void main() {
        vec4 eye = modelViewMatrix * vec4(position, 1.0);
        facing = normalMatrix * normal;
        towards = -eye.xyz;
        gl_Position = projectionMatrix * eye;
      }`,
    fragmentShader: /* glsl */ `
      uniform vec3 colour;
      varying vec3 facing;
      varying vec3 towards;
      void main() {
        float aside = 1.0 - abs(dot(normalize(facing), normalize(towards)));
        gl_FragColor = vec4(colour, smoothstep(0.35, 0.75, aside));
        #include <colorspace_fragment>
      }`,
  });
}

interface Lock {
  drum: THREE.Mesh;
  drumOutline: THREE.Mesh;
  spool: THREE.Group;
}

export class BodyView {
  readonly group = new THREE.Group();
  shape: Centreline;
  private readonly rings: Ring[];
  private readonly geometry = new THREE.BufferGeometry();
  private readonly position: Float32Array;
  private readonly normal: Float32Array;
  private readonly canvas = document.createElement('canvas');
  private readonly texture: THREE.CanvasTexture;
  private readonly outline = outlineMaterial();
  private readonly rim = rimMaterial();
  private readonly drumMaterial = new THREE.MeshStandardMaterial({ roughness: 0.5, metalness: 0.2 });
  private readonly spoolMaterial = new THREE.MeshStandardMaterial({ roughness: 0.6 });
  private readonly guideMaterial = new THREE.MeshStandardMaterial({
    roughness: 0.5,
    transparent: true,
    opacity: 0.35,
    side: THREE.DoubleSide,
    depthWrite: false,
  });
  private readonly locks: Lock[] = [];
  private state: BodyState;
  private paintedFor = '';

  /** `outlined`: only the outline of the tube, without locks and guide. */
  constructor(
    readonly design: Design,
    initial: BodyState,
    outlined = false,
  ) {
    this.state = initial;
    this.shape = new Shape(design, initial);
    this.rings = tubeRings(design);
    const vertices = this.rings.length * (kAround + 1);
    this.position = new Float32Array(3 * vertices);
    this.normal = new Float32Array(3 * vertices);
    this.geometry.setAttribute('position', new THREE.BufferAttribute(this.position, 3));
    this.geometry.setAttribute('normal', new THREE.BufferAttribute(this.normal, 3));
    this.geometry.setAttribute('uv', new THREE.BufferAttribute(this.textureCoordinates(), 2));
    this.geometry.setIndex(tubeIndex(this.rings.length));
    this.canvas.width = kTexture;
    this.canvas.height = 1;
    this.texture = new THREE.CanvasTexture(this.canvas);
    this.texture.colorSpace = THREE.SRGBColorSpace;
    this.texture.generateMipmaps = false;
    this.texture.minFilter = THREE.LinearFilter;
    if (outlined) {
      const ghost = new THREE.Mesh(this.geometry, this.rim);
      ghost.frustumCulled = false;
      ghost.renderOrder = 5;
      this.group.add(ghost);
      return;
    }
    const tube = new THREE.Mesh(this.geometry, new THREE.MeshStandardMaterial({ map: this.texture, roughness: 0.55 }));
    const rim = new THREE.Mesh(this.geometry, this.outline);
    for (const mesh of [tube, rim]) {
      mesh.frustumCulled = false;
      mesh.renderOrder = 2;
      this.group.add(mesh);
    }
    this.addLocks();
    if (design.guide) this.group.add(this.guide());
  }

  private textureCoordinates(): Float32Array {
    const uv: number[] = [];
    for (const ring of this.rings)
      for (let k = 0; k <= kAround; ++k) uv.push(this.textureAt(ring.s < 0 ? -1 : ring.s), k / kAround);
    return new Float32Array(uv);
  }

  /** The shaft has the first 2 % of the texture, the segment the rest. */
  private textureAt(s: number): number {
    return s < 0 ? 0.005 : 0.02 + (0.98 * s) / this.design.length_mm;
  }

  private addLocks() {
    this.design.station_mm.forEach((station) => {
      const span = this.design.rigid.find((r) => r.from_mm <= station && station <= r.to_mm);
      const length = span ? span.to_mm - span.from_mm : this.design.radius_mm;
      const radius = span ? span.radius_mm : this.design.radius_mm;
      const along = new THREE.Matrix4().makeRotationX(Math.PI / 2);
      const drumShape = new THREE.CylinderGeometry(radius, radius, length, kAround).applyMatrix4(along);
      const drum = new THREE.Mesh(drumShape, this.drumMaterial);
      const drumOutline = new THREE.Mesh(drumShape, this.outline);
      const spool = new THREE.Group();
      const flange = new THREE.CylinderGeometry(radius, radius, 0.22 * length, kAround).applyMatrix4(along);
      for (const side of [-1, 1]) {
        for (const material of [this.spoolMaterial, this.outline]) {
          const part = new THREE.Mesh(flange, material);
          part.position.z = side * 0.39 * length;
          part.renderOrder = 2;
          spool.add(part);
        }
      }
      drum.renderOrder = drumOutline.renderOrder = 2;
      this.group.add(drum, drumOutline, spool);
      this.locks.push({ drum, drumOutline, spool });
    });
  }

  /** A straight guide that ends at the entry plane. */
  private guide(): THREE.Mesh {
    const length = this.design.length_mm;
    const radius = 1.25 * Math.max(this.design.radius_mm, ...this.design.rigid.map((r) => r.radius_mm));
    const tube = new THREE.CylinderGeometry(radius, radius, length, kAround, 1, true);
    tube.applyMatrix4(new THREE.Matrix4().makeRotationX(Math.PI / 2).setPosition(0, 0, -length / 2));
    const mesh = new THREE.Mesh(tube, this.guideMaterial);
    mesh.renderOrder = 4;
    return mesh;
  }

  applyTheme() {
    for (const material of [this.outline, this.rim]) (material.uniforms.colour.value as THREE.Color).set(tone('--body-outline'));
    this.drumMaterial.color.set(tone('--lock-held'));
    this.spoolMaterial.color.set(tone('--lock-open'));
    this.guideMaterial.color.set(tone('--shaft'));
    this.paintedFor = '';
    this.set(this.state, this.shape);
  }

  /** `shape`: where the body is, if not where the ideal one would be. */
  set(state: BodyState, shape: Centreline = new Shape(this.design, state)) {
    this.state = state;
    this.shape = shape;
    const partition = state.locked.map(Number).join('') + state.regions.length;
    if (partition !== this.paintedFor) this.paint(state);
    this.paintedFor = partition;
    this.moveTube(state);
    this.moveLocks(state);
  }

  private frozenTo(state: BodyState): number {
    return state.regions.length > 1 ? state.regions[state.regions.length - 1].from_mm : 0;
  }

  private paint(state: BodyState) {
    const pen = this.canvas.getContext('2d');
    if (!pen) return;
    const x = (s: number) => this.textureAt(s) * kTexture;
    const band = (from: number, to: number, colour: string) => {
      pen.fillStyle = colour;
      pen.fillRect(x(from), 0, x(to) - x(from), 1);
    };
    pen.fillStyle = tone('--shaft');
    pen.fillRect(0, 0, kTexture, 1);
    band(0, this.design.length_mm, tone('--free'));
    const frozen = this.frozenTo(state);
    const half = ribPeriod(this.design) / 2;
    for (let i = 0; i * half < frozen; ++i)
      band(i * half, Math.min(frozen, (i + 1) * half), tone(i % 2 ? '--frozen-groove' : '--frozen'));
    const tip = this.design.rigid[this.design.rigid.length - 1];
    if (tip && tip.to_mm >= this.design.length_mm) band(tip.from_mm, tip.to_mm, tone('--tip'));
    this.texture.needsUpdate = true;
  }

  private moveTube(state: BodyState) {
    const frozen = this.frozenTo(state);
    const R = this.design.radius_mm;
    let at = 0;
    for (const ring of this.rings) {
      const s = ring.s < 0 ? shaftFrom(state, this.design) : ring.s;
      const pose = this.shape.pose(s);
      const lift = Math.sin((ring.dome * Math.PI) / 2);
      const flat = Math.cos((ring.dome * Math.PI) / 2);
      const radius = ring.groove && s < frozen ? kGroove * R : R;
      for (let k = 0; k <= kAround; ++k) {
        const angle = (2 * Math.PI * k) / kAround;
        const c = flat * Math.cos(angle);
        const n = flat * Math.sin(angle);
        for (let i = 0; i < 3; ++i) {
          const direction = pose.R[3 * i] * c + pose.R[3 * i + 1] * n + pose.R[3 * i + 2] * lift;
          this.position[at + i] = pose.p[i] + radius * direction;
          this.normal[at + i] = direction;
        }
        at += 3;
      }
    }
    this.geometry.attributes.position.needsUpdate = true;
    this.geometry.attributes.normal.needsUpdate = true;
  }

  private moveLocks(state: BodyState) {
    this.locks.forEach((lock, i) => {
      const held = state.locked[i];
      const matrix = poseMatrix(this.shape.pose(this.design.station_mm[i]));
      for (const part of [lock.drum, lock.drumOutline, lock.spool]) {
        part.matrixAutoUpdate = false;
        part.matrix.copy(matrix);
      }
      lock.drum.visible = lock.drumOutline.visible = held;
      lock.spool.visible = !held;
    });
  }
}

export function poseMatrix({ p, R }: Pose): THREE.Matrix4 {
  return new THREE.Matrix4().set(R[0], R[1], R[2], p[0], R[3], R[4], R[5], p[1], R[6], R[7], R[8], p[2], 0, 0, 0, 1);
}
