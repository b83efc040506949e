// SUNDIALS CVODE behind a small class: the integrator the cell model is compared with. Only tests and benchmarks link
// it.
#pragma once

#include <functional>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sundials/sundials_context.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>

namespace slowfilm::test {

// BDF with Newton's method, a dense Jacobian by difference quotients, and one root to look for.
class Cvode {
  public:
    using Rates = std::function<void(double t, const double* y, double* rate)>;
    using Root = std::function<double(double t, const double* y)>;

    Cvode(std::size_t count, Rates rates, Root root, double relative, std::vector<double> absolute)
        : rates_(std::move(rates)), root_(std::move(root)) {
        good(SUNContext_Create(nullptr, &context_), "SUNContext_Create");
        const auto n = static_cast<sunindextype>(count);
        y_ = N_VNew_Serial(n, context_);
        work_ = N_VNew_Serial(n, context_);
        N_Vector tolerance = N_VNew_Serial(n, context_);
        for (std::size_t i = 0; i < count; ++i) {
            NV_DATA_S(tolerance)[i] = absolute[i];
            NV_DATA_S(y_)[i] = 0.0;
        }
        memory_ = CVodeCreate(CV_BDF, context_);
        good(CVodeInit(memory_, call_rates, 0.0, y_), "CVodeInit");
        good(CVodeSetUserData(memory_, this), "CVodeSetUserData");
        good(CVodeSVtolerances(memory_, relative, tolerance), "CVodeSVtolerances");
        N_VDestroy(tolerance);
        matrix_ = SUNDenseMatrix(n, n, context_);
        solver_ = SUNLinSol_Dense(y_, matrix_, context_);
        good(CVodeSetLinearSolver(memory_, solver_, matrix_), "CVodeSetLinearSolver");
        good(CVodeRootInit(memory_, 1, call_root), "CVodeRootInit");
        good(CVodeSetMaxNumSteps(memory_, 1'000'000), "CVodeSetMaxNumSteps");
        good(CVodeSetErrFile(memory_, nullptr), "CVodeSetErrFile");
        (void)CVodeSetNoInactiveRootWarn(memory_);
    }
    ~Cvode() {
        CVodeFree(&memory_);
        SUNLinSolFree(solver_);
        SUNMatDestroy(matrix_);
        N_VDestroy(work_);
        N_VDestroy(y_);
        SUNContext_Free(&context_);
    }
    Cvode(const Cvode&) = delete;
    Cvode& operator=(const Cvode&) = delete;

    [[nodiscard]] double* y() { return NV_DATA_S(y_); }
    // After y() was changed, or the rates at once.
    void restart(double t, double first_step) {
        good(CVodeReInit(memory_, t, y_), "CVodeReInit");
        good(CVodeSetInitStep(memory_, first_step), "CVodeSetInitStep");
        time_ = t;
    }
    // One step of its own choice, not beyond `stop`. True: it ended at a root.
    bool step(double stop) {
        good(CVodeSetStopTime(memory_, stop), "CVodeSetStopTime");
        const int flag = CVode(memory_, stop, y_, &time_, CV_ONE_STEP);
        if (flag < 0) {
            throw std::runtime_error("CVODE gave up with " + std::to_string(flag));
        }
        ++steps_;
        return flag == CV_ROOT_RETURN;
    }
    [[nodiscard]] double time() const { return time_; }
    // The state anywhere in the last step.
    [[nodiscard]] const double* at(double t) {
        good(CVodeGetDky(memory_, t, 0, work_), "CVodeGetDky");
        return NV_DATA_S(work_);
    }
    [[nodiscard]] long steps() const { return steps_; }

  private:
    static int call_rates(realtype t, N_Vector y, N_Vector rate, void* self) {
        try {
            static_cast<Cvode*>(self)->rates_(t, NV_DATA_S(y), NV_DATA_S(rate));
        } catch (const std::domain_error&) {
            return 1;  // a shorter step, please
        }
        return 0;
    }
    static int call_root(realtype t, N_Vector y, realtype* value, void* self) {
        *value = static_cast<Cvode*>(self)->root_(t, NV_DATA_S(y));
        return 0;
    }
    static void good(int flag, const char* what) {
        if (flag < 0) {
            throw std::runtime_error(std::string{what} + " failed with " + std::to_string(flag));
        }
    }

    Rates rates_;
    Root root_;
    SUNContext context_{nullptr};
    N_Vector y_{nullptr}, work_{nullptr};
    SUNMatrix matrix_{nullptr};
    SUNLinearSolver solver_{nullptr};
    void* memory_{nullptr};
    double time_{0.0};
    long steps_{0};
};

}  // namespace slowfilm::test
