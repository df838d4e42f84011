// SPDX-License-Identifier: GPL-3.0-or-later
// The channel's wall, drawn so that one sees into it: the far side shaded, the near side as glass, or a section.

import * as THREE from 'three';
import { LineSegments2 } from 'three/examples/jsm/lines/LineSegments2.js';
import { LineMaterial } from 'three/examples/jsm/lines/LineMaterial.js';
import { LineSegmentsGeometry } from 'three/examples/jsm/lines/LineSegmentsGeometry.js';
import { floats, indices, type ChannelFacts } from '../data.ts';
import { tone } from '../dom.ts';

/** open: far side only, the near side a breath of glass; glass: both sides translucent; section: cut by a plane. */
export type Cut = 'open' | 'glass' | 'section';

const vertexShader = /* glsl */ `
  attribute float room;
  varying vec3 vNormal;
  varying vec3 vToEye;
  varying float vRoom;
  #include <clipping_planes_pars_vertex>
  void main() {
    vec4 mvPosition = modelViewMatrix * vec4(position, 1.0);
    vNormal = normalMatrix * normal;
    vToEye = -mvPosition.xyz;
    vRoom = room;
    gl_Position = projectionMatrix * mvPosition;
    #include <clipping_planes_vertex>
  }`;

// Where the room is shown, the less of it is left for a body ("need" is its radius and clearance), the further the wall is from its own lightness;
// where none is left it is striped. Lightness alone tells it, so it reads in grey too.
// Faces seen square on take "face", faces seen edge on take "rim": that draws the outline of a glass tube.
const fragmentShader = /* glsl */ `
  uniform vec3 faceColour;
  uniform vec3 rimColour;
  uniform float faceAlpha;
  uniform float rimAlpha;
  uniform vec3 tightColour;
  uniform float need;
  uniform float showRoom;
  varying vec3 vNormal;
  varying vec3 vToEye;
  varying float vRoom;
  #include <clipping_planes_pars_fragment>
  void main() {
    #include <clipping_planes_fragment>
    float square = abs(dot(normalize(vNormal), normalize(vToEye)));
    float rim = pow(1.0 - square, 2.0);
    float left = vRoom / max(need, 1e-6) - 1.0;
    float tight = showRoom * (1.0 - clamp(0.5 * left, 0.0, 1.0));
    float stripe = step(0.5, fract((gl_FragCoord.x + gl_FragCoord.y) / 9.0));
    tight *= left < 0.0 ? mix(0.25, 1.0, stripe) : 0.8;
    vec3 face = mix(faceColour, tightColour, tight);
    gl_FragColor = vec4(mix(face, rimColour, rim * (1.0 - 0.5 * tight)), mix(faceAlpha, rimAlpha, rim));
    #include <colorspace_fragment>
  }`;

function wallMaterial(side: THREE.Side): THREE.ShaderMaterial {
  return new THREE.ShaderMaterial({
    vertexShader,
    fragmentShader,
    side,
    clipping: true,
    transparent: true,
    uniforms: {
      faceColour: { value: new THREE.Color() },
      rimColour: { value: new THREE.Color() },
      faceAlpha: { value: 1 },
      rimAlpha: { value: 1 },
      tightColour: { value: new THREE.Color() },
      need: { value: 1 },
      showRoom: { value: 0 },
    },
  });
}

export class ChannelView {
  readonly group = new THREE.Group();
  readonly box = new THREE.Box3();
  readonly vertices: Float32Array;
  private readonly triangles: Uint32Array;
  private readonly far = wallMaterial(THREE.BackSide);
  private readonly near = wallMaterial(THREE.FrontSide);
  private readonly edge: LineSegments2;
  private readonly edgeMaterial = new LineMaterial({ linewidth: 2 });
  private readonly plane = new THREE.Plane();
  private cut: Cut = 'open';

  private readonly geometry = new THREE.BufferGeometry();

  constructor(facts: ChannelFacts) {
    this.vertices = floats(facts.vertices);
    this.triangles = indices(facts.triangles);
    const { geometry } = this;
    geometry.setAttribute('position', new THREE.BufferAttribute(this.vertices, 3));
    geometry.setAttribute('room', new THREE.BufferAttribute(new Float32Array(this.vertices.length / 3), 1));
    geometry.setIndex(new THREE.BufferAttribute(this.triangles, 1));
    geometry.computeVertexNormals();
    geometry.computeBoundingBox();
    this.box.copy(geometry.boundingBox ?? new THREE.Box3());
    const farMesh = new THREE.Mesh(geometry, this.far);
    farMesh.renderOrder = 0;
    const nearMesh = new THREE.Mesh(geometry, this.near);
    nearMesh.renderOrder = 5;
    this.near.depthWrite = false;
    this.edge = new LineSegments2(new LineSegmentsGeometry(), this.edgeMaterial);
    this.edge.renderOrder = 6;
    this.edge.visible = false;
    this.group.add(farMesh, nearMesh, this.edge);
  }

  applyTheme() {
    const set = (material: THREE.ShaderMaterial, face: string, rim: string) => {
      (material.uniforms.faceColour.value as THREE.Color).set(tone(face));
      (material.uniforms.rimColour.value as THREE.Color).set(tone(rim));
    };
    set(this.far, '--wall-face', '--wall-rim');
    set(this.near, '--wall-near', '--wall-outline');
    (this.far.uniforms.tightColour.value as THREE.Color).set(tone('--wall-tight'));
    this.edgeMaterial.color.set(tone('--wall-outline'));
    this.setCut(this.cut);
  }

  setCut(cut: Cut) {
    this.cut = cut;
    const alpha = (material: THREE.ShaderMaterial, face: number, rim: number) => {
      material.uniforms.faceAlpha.value = face;
      material.uniforms.rimAlpha.value = rim;
    };
    if (cut === 'glass') {
      alpha(this.far, 0.35, 0.6);
      alpha(this.near, 0.22, 0.75);
    } else {
      alpha(this.far, 1, 1);
      alpha(this.near, cut === 'open' ? 0.03 : 0.05, cut === 'open' ? 0.55 : 0.35);
    }
    this.far.depthWrite = cut !== 'glass';
    const planes = cut === 'section' ? [this.plane] : [];
    this.far.clippingPlanes = planes;
    this.near.clippingPlanes = planes;
    this.edge.visible = cut === 'section';
  }

  /** Shows how much room is left: the lumen's radius at each vertex, mm. */
  setRoom(room: Float32Array) {
    this.geometry.setAttribute('room', new THREE.BufferAttribute(room, 1));
    this.far.uniforms.showRoom.value = 1;
  }

  /** What a body needs of it: its radius and the clearance, mm. */
  setNeed(need: number) {
    this.far.uniforms.need.value = need;
  }

  dispose() {
    this.geometry.dispose();
    this.edge.geometry.dispose();
  }

  /** Extent of the channel along a direction. */
  extent(direction: THREE.Vector3): [number, number] {
    let low = Infinity;
    let high = -Infinity;
    const v = this.vertices;
    for (let i = 0; i < v.length; i += 3) {
      const along = v[i] * direction.x + v[i + 1] * direction.y + v[i + 2] * direction.z;
      low = Math.min(low, along);
      high = Math.max(high, along);
    }
    return [low, high];
  }

  /** Keeps what lies beyond `depth` along `direction`, and draws the line of the cut. */
  setSection(direction: THREE.Vector3, depth: number) {
    this.plane.set(direction, -depth);
    const lines = this.sectionLines(direction, depth);
    this.edge.geometry.dispose();
    this.edge.geometry = new LineSegmentsGeometry();
    if (lines.length > 0) this.edge.geometry.setPositions(lines);
    this.edge.visible = this.cut === 'section' && lines.length > 0;
  }

  private sectionLines(direction: THREE.Vector3, depth: number): number[] {
    const v = this.vertices;
    const lines: number[] = [];
    const side = new Float32Array(v.length / 3);
    for (let i = 0; i < side.length; ++i)
      side[i] = v[3 * i] * direction.x + v[3 * i + 1] * direction.y + v[3 * i + 2] * direction.z - depth;
    const cross = (a: number, b: number) => {
      const t = side[a] / (side[a] - side[b]);
      for (let k = 0; k < 3; ++k) lines.push(v[3 * a + k] + t * (v[3 * b + k] - v[3 * a + k]));
    };
    for (let i = 0; i < this.triangles.length; i += 3) {
      const corner = [this.triangles[i], this.triangles[i + 1], this.triangles[i + 2]];
      for (let k = 0; k < 3; ++k) {
        const a = corner[k];
        const b = corner[(k + 1) % 3];
        if (side[a] < 0 !== side[b] < 0) cross(a, b);
      }
    }
    return lines;
  }
}
