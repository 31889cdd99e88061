"""Published reconciliation examples, to their printed digits.

Inputs of the first three were read in E. Cordeiro do Valle's public collection of literature benchmark
problems, which quotes the papers named at each; the originals were not opened. `computed` figures of the
reference column there are another program's (numpy, dense); ours must agree with both."""

import numpy as np
import pytest
from scipy.stats import chi2

from pipeline.reconcile.solve import LinearBalances, critical_z, reconcile


def matrix_of(nodes: list[str], count: int) -> np.ndarray:
    """Rows of A from signed stream numbers, in +, out -."""
    matrix = np.zeros((len(nodes), count))
    for row, node in enumerate(nodes):
        for term in node.split():
            matrix[row, abs(int(term)) - 1] = np.sign(int(term))
    return matrix


class TestHeatExchangerWithBypass:
    """S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf, 2000: six flows."""

    A = matrix_of(["1 -2 -3", "2 -4", "3 -5", "4 5 -6"], 6)
    MEASURED = np.array([101.91, 64.45, 34.65, 64.2, 36.44, 98.88])

    def solve(self, y: np.ndarray):
        return reconcile(LinearBalances(self.A), y, np.ones(6))

    def test_reconciled_flows(self):
        # Published to two decimals.
        published = [100.22, 64.50, 35.72, 64.50, 35.72, 100.22]
        np.testing.assert_allclose(self.solve(self.MEASURED).x, published, atol=0.005)

    def test_statistics(self):
        found = self.solve(self.MEASURED)
        assert found.total_chi2 == pytest.approx(6.4075, abs=5e-5)
        assert found.total_df == 4
        assert found.total_chi2 < chi2.isf(0.05, 4) == pytest.approx(9.488, abs=5e-4)
        np.testing.assert_allclose(np.abs(found.z), [2.070, 0.061, 1.310, 0.367, 0.882, 1.641], atol=5e-4)
        np.testing.assert_allclose(found.u, 0.5774, atol=5e-5)

    def test_what_is_known_exactly_stays_and_nothing_is_divided_by_nought(self):
        """With stream 1 fixed, by the same formulas solved densely (numpy); warnings are errors here."""
        u = np.array([0.0, 1.0, 1.0, 1.0, 1.0, 1.0])
        spread = self.A @ np.diag(u**2) @ self.A.T
        expected = self.MEASURED - u**2 * (self.A.T @ np.linalg.solve(spread, self.A @ self.MEASURED))
        found = reconcile(LinearBalances(self.A), self.MEASURED, u)
        np.testing.assert_allclose(found.x, expected, atol=1e-9)
        assert found.x[0] == self.MEASURED[0]
        assert found.u[0] == 0.0

    def test_a_bias_of_four_is_found_in_its_stream(self):
        """The book's own gross error: stream 2 read as 68.45. g = 16.674 is remembered from the book."""
        wrong = self.MEASURED.copy()
        wrong[1] = 68.45
        found = self.solve(wrong)
        assert found.total_chi2 == pytest.approx(16.674, abs=5e-4)
        np.testing.assert_allclose(np.abs(found.z), [1.253, 3.205, 0.494, 2.0, 1.698, 2.458], atol=5e-4)
        assert np.argmax(np.abs(found.z)) == 1
        assert np.abs(found.z[1]) > critical_z(6) == pytest.approx(2.631, abs=5e-4)

    def test_leaving_the_bad_stream_out_gives_its_estimate(self):
        wrong = self.MEASURED.copy()
        wrong[1] = 68.45
        is_free = np.arange(6) == 1
        left_out = reconcile(LinearBalances(self.A), wrong, np.where(is_free, 1e3, 1.0), is_free)
        np.testing.assert_allclose(left_out.x, [100.233, 64.525, 35.707, 64.525, 35.707, 100.233], atol=5e-4)
        assert left_out.total_chi2 == pytest.approx(6.404, abs=5e-4)
        assert left_out.total_df == 3
        # One linear step is exact here: the estimate without the stream follows from its z.
        whole = self.solve(wrong)
        assert wrong[1] - whole.z[1] * whole.error_u[1] == pytest.approx(left_out.x[1], abs=1e-4)
        assert whole.total_chi2 - whole.z[1] ** 2 == pytest.approx(left_out.total_chi2, abs=1e-4)


class TestTwelveStreams:
    """C. L. Mitsas, Measurement 43 (2010) 702-707: twelve streams, six nodes."""

    A = matrix_of(["1 -2 -3 -4", "2 -5 -6 -7", "3 5 6 7 -8", "4 -9 -10", "8 9 -11", "10 11 -12"], 12)
    Y = np.array([100.49, 29.46, 40.41, 30.05, 15.17, 4.98, 9.92, 70.68, 10.03, 19.82, 81.06, 101.57])
    U = np.array([1.0, 0.3, 0.4, 0.3, 0.3, 0.1, 0.2, 0.7, 0.3, 0.4, 0.8, 1.0])

    def test_reconciled_streams(self):
        found = reconcile(LinearBalances(self.A), self.Y, self.U)
        published = [100.59, 29.8, 40.71, 30.07, 15.0, 4.96, 9.84, 70.51, 10.14, 19.93, 80.66, 100.59]
        # The paper prints two decimals, some of them off by one in the last (100.582, 10.146).
        np.testing.assert_allclose(found.x, published, atol=0.011)
        computed = [
            *(100.5820, 29.8012, 40.7095, 30.0714, 14.9972, 4.9608),
            *(9.8432, 70.5107, 10.1460, 19.9254, 80.6567, 100.5820),
        ]
        np.testing.assert_allclose(found.x, computed, atol=5e-5)
        assert found.total_chi2 == pytest.approx(3.8913, abs=5e-5)
        assert found.total_df == 6

    def test_parallel_streams_cannot_be_told_apart(self):
        """Streams 5, 6 and 7 run between the same two nodes: their z are equal whatever was read."""
        rng = np.random.default_rng(7)
        for _ in range(5):
            found = reconcile(LinearBalances(self.A), self.Y + 3.0 * self.U * rng.standard_normal(12), self.U)
            np.testing.assert_allclose(np.abs(found.z[4:7]), np.abs(found.z[4]), rtol=1e-9)


class TestSteamNetwork:
    """R. W. Serth and W. A. Heenan, AIChE J. 32 (1986) 733-747: 28 streams, 11 nodes; readings of the
    collection."""

    A = matrix_of(
        [
            *("1 2 -3 4", "-5 -6 7 8 -9", "-1 5 -10", "10 11 -12", "3 -11 13 -14 -15 -16 -17", "-2 6 -13"),
            *("-7 14 18 -19 -20 -21", "15 -18 22 -23 -24", "12 16 -22 -25", "19 23 -26 27", "-8 20 26 28"),
        ],
        28,
    )
    ROWS = np.array(
        [
            (0.875, 0.022, 0.8748, 0.716),
            (0.989, 0.025, 0.9892, 0.814),
            (108.426, 2.796, 109.1902, 0.329),
            (107.799, 2.749, 107.3262, 0.209),
            (50.149, 1.332, 52.0087, 1.684),
            (110.327, 2.807, 112.0310, 0.685),
            (2.201, 0.058, 2.1971, 2.513),
            (165.779, 4.101, 162.6638, 0.803),
            (0.821, 0.021, 0.8213, 1.624),
            (51.779, 1.31, 51.1339, 0.599),
            (14.757, 0.372, 14.7609, 0.044),
            (67.183, 1.682, 65.8948, 0.863),
            (107.734, 2.782, 111.0418, 1.346),
            (89.855, 2.297, 92.5916, 1.504),
            (58.554, 1.5, 57.9152, 0.539),
            (23.258, 0.591, 23.1089, 0.854),
            (31.879, 0.818, 31.8553, 0.113),
            (15.843, 0.406, 15.9753, 1.351),
            (7.92, 0.196, 7.8989, 1.042),
            (10.13, 0.263, 10.0624, 2.120),
            (91.047, 2.183, 88.4085, 1.575),
            (5.555, 0.136, 5.5576, 0.211),
            (2.471, 0.065, 2.4721, 0.377),
            (44.687, 1.166, 45.0255, 0.454),
            (81.656, 2.137, 83.4461, 0.925),
            (82.839, 2.033, 81.0698, 1.067),
            (70.685, 1.77, 70.6988, 0.011),
            (72.913, 1.806, 71.5316, 1.182),
        ]
    )

    def test_reconciled_streams(self):
        y, u, expected, z = self.ROWS.T
        found = reconcile(LinearBalances(self.A), y, u)
        # The collection's own solver stopped within 5e-4 of the exact answer.
        np.testing.assert_allclose(found.x, expected, atol=6e-4)
        np.testing.assert_allclose(np.abs(found.z), z, atol=6e-4)
        assert found.total_chi2 == pytest.approx(10.686, abs=5e-4)
        assert found.total_df == 11

    def test_a_planted_error_is_found_in_its_stream(self):
        y, u, _, _ = self.ROWS.T.copy()
        y[12] *= 1.15
        found = reconcile(LinearBalances(self.A), y, u)
        z = np.abs(found.z)
        assert found.total_chi2 == pytest.approx(23.223, abs=1e-3)
        assert np.argmax(z) == 12
        assert z[12] == pytest.approx(3.788, abs=1e-3)
        assert np.sort(z)[-2] == pytest.approx(2.710, abs=1e-3)
        assert critical_z(28) == pytest.approx(3.116, abs=5e-4)


class BinaryColumn:
    """F1 x11 = F2 x21 + F3 x31, F1 x12 = F2 x22 + F3 x32, x_i1 + x_i2 = 1; order F1 x11 x12 F2 x21 x22 F3
    x31 x32."""

    def evaluate(self, x):
        f = np.zeros(5)
        jacobian = np.zeros((5, 9))
        for stream, sign in enumerate((1.0, -1.0, -1.0)):
            flow, first, second = 3 * stream, 3 * stream + 1, 3 * stream + 2
            for row, share in ((0, first), (1, second)):
                f[row] += sign * x[flow] * x[share]
                jacobian[row, flow], jacobian[row, share] = sign * x[share], sign * x[flow]
            f[2 + stream] = x[first] + x[second] - 1.0
            jacobian[2 + stream, [first, second]] = 1.0
        return f, LinearBalances(jacobian).evaluate(x)[1]


class TestBinaryColumn:
    """Basic Concepts in Data Reconciliation, ch. 4, table 4.1, Program for North American Mobility in Higher
    Education (North Carolina State University, University of Ottawa, 2003): flow times composition, with an
    error in the feed. The module's own reconciled column was not seen; the answers are another program's
    (numpy, dense)."""

    Y = np.array([1095.475, 0.4822, 0.517, 478.402, 0.941, 0.0501, 488.232, 0.0197, 0.9748])
    U = np.array([4.8, 0.0048, 0.0052, 3.9, 0.0094, 0.0005, 4.4, 0.0002, 0.0097])

    def test_reconciled(self):
        found = reconcile(BinaryColumn(), self.Y, self.U)
        expected = [1043.7336, 0.4785, 0.5215, 514.7988, 0.9499, 0.0501, 528.9349, 0.0197, 0.9803]
        np.testing.assert_allclose(found.x, expected, rtol=1e-6, atol=5e-5)
        np.testing.assert_allclose(
            np.abs(found.z), [17.02, 0.85, 0.94, 13.98, 0.95, 0.39, 13.01, 1.45, 0.57], atol=0.006
        )
        assert found.total_chi2 == pytest.approx(291.4, abs=0.05)
        assert found.total_df == 5

    def test_leaving_out_the_feed(self):
        is_free = np.arange(9) == 0
        found = reconcile(BinaryColumn(), self.Y, np.where(is_free, 1e4, self.U), is_free)
        expected = [966.4060, 0.4810, 0.5190, 479.3051, 0.9499, 0.0501, 487.1009, 0.0197, 0.9803]
        np.testing.assert_allclose(found.x, expected, rtol=1e-6, atol=5e-5)
        assert found.total_chi2 == pytest.approx(1.54, abs=0.005)
