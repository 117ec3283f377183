"""The inside corner of a box with drafted walls and rolled fillets, as an exact mesh.

A ball of the fillet's radius rolls along the three planes: where it touches one the face is
flat, where it touches two the fillet is a cylinder, where it touches all three its own
surface is the corner. Tangent planes go through everywhere, curvatures jump. mm, radians.
"""

import numpy as np

from drape.geometry.surface import unit


class BoxCorner:
    """Floor z = 0 and two walls leaning out by ``draft``, hollow over x > 0, y > 0.

    Attributes
    ----------
    vertices, faces : the mesh; faces turn so that normals point into the hollow
    centre : (3,) of the ball in the corner
    normals : (3, 3) of floor, wall at x = 0, wall at y = 0, into the hollow
    corner_shear : what the corner's curvature makes of a right angle, radians
    """

    def __init__(self, draft, fillet, size, around, along):
        """``size`` mm of flat face beside each fillet; ``around`` facets over a fillet's arc,
        ``along`` over ``size``."""
        c, s = np.cos(draft), np.sin(draft)
        self.normals = np.array([[0.0, 0.0, 1.0], [c, 0.0, s], [0.0, c, s]])
        self.fillet = fillet
        self.centre = np.linalg.solve(self.normals, np.full(3, fillet))
        self.corner_shear = 2.0 * np.arctan(np.tan(0.25 * np.pi - 0.5 * draft) ** 2)
        self._points, self._keys, self._faces = [], {}, []
        self._ball(around)
        for k in range(3):
            self._cylinder(k, (k + 1) % 3, around, along, size)
            self._plane(k, along, size)
        self.vertices, self.faces = np.array(self._points), np.array(self._faces)

    def axis(self, k, m):
        """Unit direction of the fillet between two faces, away from the corner."""
        along = unit(np.cross(self.normals[k], self.normals[m]))
        return along * np.sign(along @ self.normals[3 - k - m])

    def _touch(self, weights, off=0.0):
        """Where the ball touches, its centre moved ``off``; weights of the three normals."""
        return self.centre + off - self.fillet * unit(weights @ self.normals)

    def _vertex(self, point):
        key = tuple(np.round(point, 6) + 0.0)
        if key not in self._keys:
            self._keys[key] = len(self._points)
            self._points.append(point)
        return self._keys[key]

    def _triangle(self, points, normal):
        a, b, c = points
        turned = np.cross(b - a, c - a) @ normal < 0.0
        self._faces.append([self._vertex(p) for p in ((a, c, b) if turned else (a, b, c))])

    def _patch(self, point, normal, rows, columns):
        """Two triangles for each place of a grid: ``point(i, j)`` → (3,)."""
        for i in range(rows):
            for j in range(columns):
                p, q = point(i, j), point(i + 1, j)
                r, s = point(i + 1, j + 1), point(i, j + 1)
                one, two = ((p, q, r), (p, r, s)) if (i + j) % 2 else ((p, q, s), (q, r, s))
                self._triangle(one, normal(i))
                self._triangle(two, normal(i))

    def _ball(self, n):
        def point(i, j):
            return self._touch(np.array([n - i - j, i, j]) / n)

        inward = self.normals.sum(axis=0)
        for i in range(n):
            for j in range(n - i):
                self._triangle((point(i, j), point(i + 1, j), point(i, j + 1)), inward)
                if i + j < n - 1:
                    corners = (point(i + 1, j), point(i + 1, j + 1), point(i, j + 1))
                    self._triangle(corners, inward)

    def _cylinder(self, k, m, around, along, size):
        way = self.axis(k, m)

        def weights(i):
            out = np.zeros(3)
            out[k], out[m] = (around - i) / around, i / around
            return out

        self._patch(
            lambda i, j: self._touch(weights(i), size * j / along * way),
            lambda i: weights(i + 0.5) @ self.normals,
            around,
            along,
        )

    def _plane(self, k, along, size):
        first, second = self.axis(k, (k + 1) % 3), self.axis(k, (k + 2) % 3)
        touch = self._touch(np.eye(3)[k])
        self._patch(
            lambda i, j: touch + size * (i * first + j * second) / along,
            lambda i: self.normals[k],
            along,
            along,
        )
